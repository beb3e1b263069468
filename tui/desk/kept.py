"""What the screen keeps for its user between openings: settings, and what was typed half.

All of it lies in the user's own configuration folder and never travels with a session. It is a
comfort: a file that cannot be read counts as empty, and one that cannot be written stops no job.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from threading import Lock

from engine.errors import FileError
from engine.files import sha256
from engine.sessions.store import config_folder, remember, remembered, remove

SETTINGS = "screen.json"
FOLDER = "typed"  # one file for each place in which something was typed half
LONGEST = 2000  # characters of one text; nobody types more into one line


class Kept:
    """Texts by name, in one file. Reading and saving touch the disk; saving may run in a thread."""

    def __init__(self, file: Path) -> None:
        """``file`` in the configuration folder."""
        self.file = file
        self._texts = {
            name: text
            for name, text in remembered(file).items()
            if text.isprintable() and len(text) <= LONGEST
        }
        self._saved = dict(self._texts)
        self._saving = Lock()

    @classmethod
    def settings(cls) -> Kept:
        return cls(Path(SETTINGS))

    @classmethod
    def typed(cls, place: Path) -> Kept:
        """Return what was typed half at ``place``: a session's folder, or where it would be."""
        return cls(Path(FOLDER) / f"{sha256(str(place.resolve()).encode())[:24]}.json")

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
        """Write what changed; without any text left the file goes.

        Whoever saves last writes what holds by then, however many do so at once.
        """
        with self._saving:
            texts = dict(self._texts)
            if texts == self._saved:
                return
            with suppress(FileError):
                if texts:
                    remember(self.file, texts)
                else:
                    remove(config_folder() / self.file)
                self._saved = texts
