"""The screen over a real SSH server on this machine: a cut line, a reconnect, a second terminal."""

from __future__ import annotations

import getpass
import os
import shlex
import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from time import monotonic, sleep
from typing import NamedTuple

import pytest
from screen_bench import example, pose
from screen_terminal import PROGRAM, Program

from engine.errors import BusyError
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.editing import annotate
from tui.clock import now

SSHD = shutil.which("sshd", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"]))
SSH = shutil.which("ssh")
KEYGEN = shutil.which("ssh-keygen")
PATIENCE = 300.0  # s; a loaded machine starts programs slowly

MISSING = "no sshd here (Debian packages openssh-server and openssh-client)"

if not (SSHD and SSH and KEYGEN) and os.environ.get("CI") != "true":
    pytest.skip(MISSING, allow_module_level=True)


class Line(NamedTuple):
    """How to reach the server: the port, and the files of the one who connects."""

    port: int
    key: Path
    hosts: Path

    def program(self, *words: str, **environ: str) -> Program:
        """Run the program on the far side, in a pseudo-terminal on both sides of the line."""
        far = shlex.join(["env", *(f"{k}={v}" for k, v in environ.items()), *PROGRAM, *words])
        root = shlex.quote(str(Path(__file__).parent.parent))
        options = ("-F", "none", "-i", str(self.key), "-p", str(self.port),
                   "-o", f"UserKnownHostsFile={self.hosts}", "-o", "StrictHostKeyChecking=yes",
                   "-o", "IdentitiesOnly=yes", "-o", "BatchMode=yes")  # fmt: skip
        host = f"{getpass.getuser()}@127.0.0.1"
        return Program(str(SSH), "-tt", *options, host, f"cd {root} && exec {far}")


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    """Start a server with a key of its own that lets in nobody but the key of this test."""
    if not (SSHD and SSH and KEYGEN):
        pytest.fail(MISSING)
    place = tmp_path / "ssh"
    place.mkdir(mode=0o700)
    for name in ("host", "user"):
        subprocess.run(
            [str(KEYGEN), "-q", "-t", "ed25519", "-N", "", "-f", str(place / name)], check=True
        )
    port = _free_port()
    public = (place / "host.pub").read_text().split()[:2]
    (place / "hosts").write_text(f"[127.0.0.1]:{port} {' '.join(public)}\n")
    (place / "config").write_text(
        f"""\
Port {port}
ListenAddress 127.0.0.1
HostKey {place}/host
AuthorizedKeysFile {place}/user.pub
PidFile {place}/pid
PasswordAuthentication no
KbdInteractiveAuthentication no
PermitRootLogin prohibit-password
StrictModes no
UsePAM no
"""
    )
    if os.getuid() == 0:  # where the server keeps those that are not let in yet
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)
    log = place / "log"
    with log.open("wb") as out:
        server = subprocess.Popen(
            [str(SSHD), "-D", "-e", "-f", str(place / "config")], stderr=out, stdout=out
        )
        try:
            _wait_for(port, server, log)
            yield Line(port, place / "user", place / "hosts")
        finally:
            server.terminate()
            server.wait(PATIENCE)


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def _wait_for(port: int, server: subprocess.Popen[bytes], log: Path) -> None:
    end = monotonic() + PATIENCE
    while True:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        assert server.poll() is None, log.read_text()
        assert monotonic() < end, log.read_text()
        sleep(0.05)


def free_again(folder: Path) -> None:
    """Wait until the far side has noticed that nobody is there; fails if it never does."""
    end = monotonic() + PATIENCE
    while True:
        try:
            with writing(folder):
                return
        except BusyError:
            assert monotonic() < end, "the session stays locked after the line was cut"
            sleep(0.1)


def test_a_cut_line_loses_nothing_and_the_reconnect_finds_everything(
    tmp_path: Path, line: Line
) -> None:
    folder = example(tmp_path / "session", 4)
    config = {"STATIONBOOK_CONFIG": str(tmp_path / "config")}
    with line.program("open", str(folder), **config) as program:
        program.until("Who works at the robot?")
        program.press("enter")
        program.until("CAUTION", "NEXT")
        program.quiet()
        program.send(pose(5))
        program.until("F2 accepts it")
        program.press("f2")
        program.until("Accepted")
        program.press("enter")
        program.until("Station 5 stored")
        program.send("612.40 -85")
        program.until("612.40", "still to type")
        os.kill(program.pid, signal.SIGKILL)
        program.cut()
    assert [station.id for station in open_session(folder).stations] == [1, 2, 3, 4, 5]
    free_again(folder)
    with line.program("open", str(folder), **config) as program:
        shown = program.until("5 no image", "4 done, 1 without points", "Enter store")
        assert "Somebody else is recording here" not in shown
        program.quiet()
        program.press("escape")
        program.quiet()
        program.press("q")
        assert program.leave() == 0
    with writing(folder):
        assert [station.id for station in open_session(folder).stations] == [1, 2, 3, 4, 5]


def test_a_second_terminal_follows_over_the_line_and_cannot_disturb(
    tmp_path: Path, line: Line
) -> None:
    folder = example(tmp_path / "session", 4)
    config = {"STATIONBOOK_CONFIG": str(tmp_path / "config")}
    with line.program("open", str(folder), "--follow", **config) as program:
        program.until("FOLLOWING, read-only", "4 done")
        program.quiet()
        with writing(folder, "somebody else"):
            noted = annotate(open_session(folder), 4, "look again")
            commit(folder, noted, Who(None, now()))
        program.until("look again")
        before = (folder / "session.yaml").read_bytes()
        program.send("aebnrcku1 2 3\r")
        program.quiet()
        assert (folder / "session.yaml").read_bytes() == before
        program.press("q")
        assert program.leave() == 0
