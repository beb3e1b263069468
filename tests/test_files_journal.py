"""The journal tells what was finished and what was not, whatever happened to its last line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from engine.errors import FileError
from engine.files import sha256
from engine.sessions import journal
from engine.sessions.journal import (
    MAX_LINES,
    altered,
    append,
    read_journal,
    restored,
    unfinished,
)
from engine.sessions.store import JOURNAL_FILE


def line(action: str, before: str | None, after: str) -> dict[str, object]:
    hashes = {"before": before and sha256(before.encode()), "after": sha256(after.encode())}
    return {"at": "2026-11-25T09:12:00+00:00", "who": "A. Example", "action": action} | {
        "file": "session.yaml",
        **hashes,
        "files": {},
    }


def folder_with(tmp_path: Path, content: str | None, *lines: dict[str, object]) -> Path:
    if content is not None:
        (tmp_path / "session.yaml").write_text(content)
    for item in lines:
        append(tmp_path, item)
    return tmp_path


def actions(lines: list[dict[str, object]]) -> list[object]:
    return [item["action"] for item in lines]


def test_without_a_journal_nothing_is_unfinished(tmp_path: Path) -> None:
    assert unfinished(folder_with(tmp_path, "A")) == []


def test_a_line_whose_rename_never_came_is_unfinished(tmp_path: Path) -> None:
    made = folder_with(tmp_path, "A", line("start", None, "A"), line("record", "A", "B"))
    assert actions(unfinished(made)) == ["record"]


def test_after_the_rename_everything_is_finished(tmp_path: Path) -> None:
    made = folder_with(tmp_path, "B", line("start", None, "A"), line("record", "A", "B"))
    assert unfinished(made) == []
    assert [item["finished"] for item in read_journal(made)] == [True, True]


def test_an_action_that_leads_back_to_an_earlier_state_is_told_apart(tmp_path: Path) -> None:
    lines = (line("start", None, "A"), line("aside", "A", "B"), line("back", "B", "A"))
    assert actions(unfinished(folder_with(tmp_path, "B", *lines))) == ["back"]
    (tmp_path / "session.yaml").write_text("A")
    assert unfinished(tmp_path) == []


def test_an_old_unfinished_line_stays_marked_when_work_went_on(tmp_path: Path) -> None:
    lines = (line("start", None, "A"), line("lost", "A", "B"), line("record", "A", "C"))
    made = folder_with(tmp_path, "C", *lines)
    assert unfinished(made) == []
    assert [item["finished"] for item in read_journal(made)] == [True, False, True]


def test_a_session_edited_by_hand_makes_nothing_unfinished(tmp_path: Path) -> None:
    lines = (line("start", None, "A"), line("record", "A", "B"))
    assert unfinished(folder_with(tmp_path, "B edited", *lines)) == []
    append(tmp_path, line("record", "B edited", "C"))
    assert actions(unfinished(tmp_path)) == ["record"]


def test_a_start_that_never_came_about_is_unfinished(tmp_path: Path) -> None:
    assert actions(unfinished(folder_with(tmp_path, None, line("start", None, "A")))) == ["start"]


@pytest.mark.parametrize(
    "rest", [b'{"at": "20', b"\xff\x00\xfe", b"[]", b"null", b"[" * 100_000, b'{"file": 3}']
)
def test_a_damaged_last_line_hurts_nobody(tmp_path: Path, rest: bytes) -> None:
    made = folder_with(tmp_path, "A", line("start", None, "A"))
    path = made / "journal.jsonl"
    path.write_bytes(path.read_bytes() + rest)
    assert unfinished(made) == []
    append(made, line("record", "A", "B"))
    assert actions(unfinished(made)) == ["record"]
    assert actions(list(read_journal(made))) == ["start", "record"]


def test_a_journal_cut_off_at_any_byte_is_read(tmp_path: Path) -> None:
    made = folder_with(tmp_path, "B", line("start", None, "A"), line("récord\u2028", "A", "B"))
    path = made / "journal.jsonl"
    data = path.read_bytes()
    for length in range(len(data)):
        path.write_bytes(data[:length])
        assert unfinished(made) == []


def test_a_line_cannot_name_a_file_elsewhere(tmp_path: Path) -> None:
    made = folder_with(tmp_path, "A", line("x", None, "A") | {"file": "../../etc/passwd"})
    assert read_journal(made) == ()


def test_a_journal_of_more_lines_than_anybody_writes_is_refused(tmp_path: Path) -> None:
    (tmp_path / JOURNAL_FILE).write_bytes(b"{}\n" * (MAX_LINES + 1))
    for read in (read_journal, altered, restored):
        with pytest.raises(FileError, match=f"more than {MAX_LINES}"):
            read(tmp_path)


def test_states_that_grow_without_end_are_not_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text, lines = "", list[str]()
    for number in range(40):
        after, block = text + f"k{number}: 1\n", f"k{number}: 1\n"
        before = sha256(text.encode()) if text else None
        # The text before the first line is one empty block.
        at = number + 1 if number else 0
        line = {"file": "session.yaml", "before": before, "after": sha256(after.encode())}
        lines.append(json.dumps({**line, "patch": [[at, at, block]]}))
        text = after
    (tmp_path / JOURNAL_FILE).write_text("\n".join(lines) + "\n")
    kept = restored(tmp_path)
    assert kept is not None
    assert kept.content == text.encode()
    monkeypatch.setattr(journal, "MAX_REMADE", 2000)
    assert restored(tmp_path) is None
