"""A source that came with a folder is inactive until it is confirmed on this machine."""

from __future__ import annotations

from pathlib import Path

import pytest
from files_samples import NOW

from engine.errors import FileError
from engine.sessions import confirmed
from engine.sessions.confirmed import Credentials, confirm, is_confirmed, read_settings
from engine.sessions.store import config_folder

SOURCE = {"folder": "incoming"}


@pytest.fixture
def mine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "mine"))
    return tmp_path / "mine"


def test_a_confirmation_holds_for_one_source_folder_and_machine(
    tmp_path: Path, mine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "session"
    assert not is_confirmed(folder, SOURCE)
    confirm(folder, SOURCE, now=NOW)
    assert is_confirmed(folder, SOURCE)
    assert not is_confirmed(tmp_path / "copy", SOURCE)
    assert not is_confirmed(folder, {"folder": "elsewhere"})
    assert not is_confirmed(folder, {"command": "incoming"})
    monkeypatch.setattr(confirmed.platform, "node", lambda: "another-computer")
    assert not is_confirmed(folder, SOURCE)


def test_nothing_in_a_session_folder_confirms_a_source(tmp_path: Path, mine: Path) -> None:
    confirm(tmp_path, SOURCE, now=NOW)
    for path in mine.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
        path.unlink()
    assert not is_confirmed(tmp_path, SOURCE)


@pytest.mark.parametrize("content", [b"", b"[]", b"\xff", b'{"x": 3}', b"{"])
def test_a_damaged_list_confirms_nothing_and_can_be_written_again(
    tmp_path: Path, mine: Path, content: bytes
) -> None:
    mine.mkdir()
    (mine / "confirmed.json").write_bytes(content)
    assert not is_confirmed(tmp_path, SOURCE)
    confirm(tmp_path, SOURCE, now=NOW)
    assert is_confirmed(tmp_path, SOURCE)


def test_commands_and_credentials_come_from_this_machine_only(mine: Path) -> None:
    assert read_settings().commands == {}
    mine.mkdir()
    (mine / "settings.yaml").write_text(
        "commands: {shoot: [/opt/camera/shoot, --one]}\n"
        "credentials: {camera-2: {user: viewer, password: '0815'}}\n"
    )
    settings = read_settings()
    assert settings.commands == {"shoot": ("/opt/camera/shoot", "--one")}
    assert settings.credentials == {"camera-2": Credentials("viewer", "0815")}
    (mine / "settings.yaml").write_text("comands: {}\n")
    with pytest.raises(FileError, match="commands"):
        read_settings()


def test_the_configuration_folder_follows_the_platforms_habit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", "/own")
    monkeypatch.setenv("XDG_CONFIG_HOME", "/c")
    assert config_folder() == Path("/own")
    monkeypatch.delenv("STATIONBOOK_CONFIG")
    assert config_folder().parts[-2:] == ("c", "stationbook")
    monkeypatch.delenv("XDG_CONFIG_HOME")
    assert config_folder().name == "stationbook"
