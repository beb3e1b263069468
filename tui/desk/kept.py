"""What the screen keeps for its user between openings: settings, and what was typed half.

All of it lies in the user's own configuration folder and never travels with a session. It is a
comfort: a file that cannot be read counts as empty, and one that cannot be written stops no job.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from engine.errors import FileError
from engine.files import read_bytes, sha256
from engine.sessions.store import config_folder, make_folder, remove, write_text_atomic

SETTINGS = "screen.json"
FOLDER = "typed"  # one file for each place in which something was typed half
LONGEST = 2000  # characters of one text; nobody types more into one line


class Kept:
    """Texts by name, in one file. Reading and saving touch the disk."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._texts = _read(file)
        self._saved = dict(self._texts)

    @classmethod
    def settings(cls) -> Kept:
        """Return the user's settings of the screen."""
        return cls(config_folder() / SETTINGS)

    @classmethod
    def typed(cls, place: Path) -> Kept:
        """Return what was typed half at ``place``: a session's folder, or where it would be."""
        return cls(config_folder() / FOLDER / f"{sha256(str(place.resolve()).encode())[:24]}.json")

    def get(self, name: str) -> str:
        """Return a text, or "" where there is none."""
        return self._texts.get(name, "")

    def put(self, name: str, text: str) -> None:
        """Keep a text, or forget it where it is empty; `save` writes it."""
        if text:
            self._texts[name] = text
        else:
            self._texts.pop(name, None)

    def under(self, name: str) -> dict[str, str]:
        """Return the texts whose names begin with ``name/``, by the rest of it."""
        head = f"{name}/"
        return {key[len(head) :]: text for key, text in self._texts.items() if key.startswith(head)}

    def put_under(self, name: str, texts: dict[str, str]) -> None:
        """Keep ``texts`` in the place of those whose names begin with ``name/``."""
        for key in self.under(name):
            self.put(f"{name}/{key}", "")
        for key, text in texts.items():
            self.put(f"{name}/{key}", text)

    def save(self) -> None:
        """Write what changed; without any text left the file goes."""
        texts = dict(self._texts)
        if texts == self._saved:
            return
        with suppress(FileError):
            if texts:
                make_folder(self.file.parent)
                write_text_atomic(self.file, json.dumps(texts, ensure_ascii=False))
            else:
                remove(self.file)
            self._saved = texts


def _read(file: Path) -> dict[str, str]:
    if not file.exists():
        return {}
    try:
        known = json.loads(read_bytes(file))
    except (FileError, ValueError, RecursionError):
        return {}
    known = known if isinstance(known, dict) else {}
    return {
        key: text
        for key, text in known.items()
        if isinstance(text, str) and text.isprintable() and len(text) <= LONGEST
    }
