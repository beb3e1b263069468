"""The shell completes words of the command line, asked the way a shell asks (argcomplete)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from command import STATIONBOOK, stationbook


def fits(line: str, folder: Path) -> set[str]:
    """Return what the program offers for a line, asked as bash asks."""
    out = folder / "out"
    asked = {
        "_ARGCOMPLETE": "1", "_ARGCOMPLETE_STDOUT_FILENAME": str(out), "COMP_LINE": line,
        "COMP_POINT": str(len(line)), "_ARGCOMPLETE_IFS": "\n", "COMP_TYPE": "9",
    }  # fmt: skip
    subprocess.run([str(STATIONBOOK)], env=os.environ | asked, check=False, capture_output=True)
    return {word.strip() for word in out.read_text().split("\n") if word.strip()}


@pytest.mark.skipif(sys.platform == "win32", reason="asked as bash asks")
def test_commands_options_and_choices_are_offered(tmp_path: Path) -> None:
    assert {"solve", "start"} <= fits("stationbook s", tmp_path)
    assert "--board-from" in fits("stationbook solve --b", tmp_path)
    assert fits("stationbook import d t --pair ", tmp_path) >= {"name", "order", "time"}


@pytest.mark.parametrize("shell", ["bash", "zsh", "powershell"])
def test_each_shell_gets_its_script(shell: str) -> None:
    run = stationbook("completion", shell)
    assert run.returncode == 0
    assert "stationbook" in run.stdout
    assert {"powershell": "Register-ArgumentCompleter"}.get(shell, "complete") in run.stdout


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_completes_with_its_script(tmp_path: Path) -> None:
    script = stationbook("completion", "bash").stdout
    (tmp_path / "script").write_text(script)
    asked = (
        f"export PATH={STATIONBOOK.parent}:$PATH; . {tmp_path / 'script'}; "
        "COMP_WORDS=(stationbook sol); COMP_CWORD=1; COMP_LINE='stationbook sol'; COMP_POINT=15; "
        'COMP_TYPE=9; _python_argcomplete stationbook; echo "${COMPREPLY[@]}"'
    )
    run = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["solve"]


def test_another_shell_is_refused() -> None:
    assert stationbook("completion", "fish").returncode == 2
