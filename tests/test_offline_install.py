"""Installing on a machine without internet, as docs/install.md tells.

Downloads from the package registry (some 140 MB), so it runs in CI only.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
EXAMPLE = ROOT / "sessions" / "bottling-line-2-infeed"

pytestmark = pytest.mark.skipif(
    os.environ.get("CI") != "true", reason="downloads 140 MB from the package registry; CI only"
)


def run(*words: object, **environ: str) -> str:
    done = subprocess.run(
        [str(word) for word in words],
        capture_output=True,
        text=True,
        env={**os.environ, **environ},
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("offline") / "wheels"
    run(sys.executable, "-m", "pip", "wheel", "-q", "--wheel-dir", folder, ROOT)
    return folder


def test_the_gathered_wheels_install_and_run_without_a_network(
    wheels: Path, tmp_path: Path
) -> None:
    run(sys.executable, "-m", "venv", "--without-pip", tmp_path / "venv")
    programs = tmp_path / "venv" / "bin"
    nowhere = {"PIP_CONFIG_FILE": os.devnull, "PIP_INDEX_URL": "http://127.0.0.1:9/simple"}
    pip = (sys.executable, "-m", "pip", "--python", programs / "python")
    words = ("install", "-q", "--no-compile", "--no-index", "--find-links", wheels, "stationbook")
    run(*pip, *words, **nowhere)
    session = shutil.copytree(EXAMPLE, tmp_path / "session")
    run(programs / "stationbook", "solve", session)
    run(programs / "stationbook", "report", session)
    assert (session / "report.html").is_file()


def test_wheels_for_windows_are_found_for_everything_it_needs(wheels: Path, tmp_path: Path) -> None:
    (own,) = wheels.glob("stationbook-*.whl")
    found = tmp_path / "found.json"
    words = ("--only-binary", ":all:", "--platform", "win_amd64", "--python-version", "3.11")
    resolve = ("install", "-q", "--dry-run", "--target", tmp_path / "none", "--report", found)
    run(sys.executable, "-m", "pip", *resolve, *words, own)
    urls = [item["download_info"]["url"] for item in json.loads(found.read_bytes())["install"]]
    names = {url.rpartition("/")[2].split("-")[0].lower() for url in urls}
    assert {"stationbook", "textual", "numpy", "scipy", "opencv_python_headless"} <= names
    assert any("opencv" in url and "win_amd64" in url for url in urls)
