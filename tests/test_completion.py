"""The shell completes words of the command line, asked the way a shell asks (argcomplete)."""

from __future__ import annotations

import os
import select
import shutil
import signal
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
    assert fits("stationbook export d --as p", tmp_path) == {"pendant", "plane", "poses"}
    assert fits("stationbook explain board-t", tmp_path) == {"board-turned"}
    assert "moving-zyz" in fits("stationbook import d t --convention moving-z", tmp_path)


@pytest.mark.parametrize("shell", ["bash", "zsh", "powershell"])
def test_each_shell_gets_its_script(shell: str) -> None:
    run = stationbook("completion", shell)
    assert run.returncode == 0
    assert "stationbook" in run.stdout
    assert {"powershell": "Register-ArgumentCompleter"}.get(shell, "complete") in run.stdout


SHELLS = {
    "bash": ("--norc", "-i"),
    "zsh": ("-f", "-i"),  # its own completion comes with compinit
}


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of its own")
@pytest.mark.parametrize("shell", SHELLS)
def test_a_real_shell_completes_at_its_tab_key(shell: str, tmp_path: Path) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"needs {shell}")
    import pty  # not on Windows

    begin = "autoload -Uz compinit; compinit -u; " if shell == "zsh" else ""
    (tmp_path / "table.csv").touch()
    (tmp_path / "script").write_text(begin + f'eval "$(stationbook completion {shell})"')
    own = {"PATH": f"{STATIONBOOK.parent}:{os.environ['PATH']}", "HOME": str(tmp_path)}
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(tmp_path)
        os.execvpe(shell, (shell, *SHELLS[shell]), os.environ | own | {"TERM": "dumb"})
    try:
        typed(terminal, ". ./script; echo read''y\n", "ready")
        typed(terminal, "stationbook impo\t", "import ")
        typed(terminal, "dir ta\t", "table.csv ")
        typed(terminal, "--unit m --conv\t", "--convention ")
        typed(terminal, "quaternion-w\t", "quaternion-wxyz ")
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(terminal)


def typed(terminal: int, keys: str, wanted: str) -> None:
    """Send keys and read until ``wanted`` stands on the terminal."""
    os.write(terminal, keys.encode())
    seen = ""
    while wanted not in seen:
        ready, _, _ = select.select([terminal], [], [], 30.0)
        assert ready, f"{wanted!r} does not come: {seen!r}"
        seen += os.read(terminal, 65536).decode(errors="replace")


def test_another_shell_is_refused() -> None:
    assert stationbook("completion", "fish").returncode == 2
