"""Installing on a machine without internet, as docs/install.md tells.

Downloads from the package registry (some 140 MB), so it runs in CI only.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

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
    run(sys.executable, "-m", "venv", tmp_path / "venv")
    python = tmp_path / "venv" / "bin" / "python"
    nowhere = {"PIP_CONFIG_FILE": os.devnull, "PIP_INDEX_URL": "http://127.0.0.1:9/simple"}
    words = ("-m", "pip", "install", "-q", "--no-index", "--find-links", wheels, "stationbook")
    run(python, *words, **nowhere)
    session = tmp_path / "demo"
    run(tmp_path / "venv" / "bin" / "stationbook", "demo", "--auto", "--dir", session)
    assert (session / "result.yaml").is_file()


def test_wheels_for_windows_are_found_for_everything_it_needs(wheels: Path, tmp_path: Path) -> None:
    (own,) = wheels.glob("stationbook-*.whl")
    words = ("--only-binary", ":all:", "--platform", "win_amd64", "--python-version", "3.11")
    run(sys.executable, "-m", "pip", "download", "-q", "--dest", tmp_path, *words, own)
    names = {path.name.split("-")[0].lower() for path in tmp_path.glob("*.whl")}
    assert {"stationbook", "textual", "numpy", "scipy", "opencv_python_headless"} <= names
    assert any("win_amd64" in path.name for path in tmp_path.glob("opencv*.whl"))
