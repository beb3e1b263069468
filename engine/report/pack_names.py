"""Names inside a pack: what may stand there, and what may be hidden behind a name."""

from __future__ import annotations

import unicodedata

LONGEST_NAME = 200  # characters of a whole path; Windows ends at 260 with the folder before it
DEEPEST = 8  # folders; a session has one
_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{device}{digit}" for device in ("com", "lpt") for digit in "0123456789¹²³"
}
_FORBIDDEN = set('<>:"|?*\\')


def fault(name: str) -> str | None:
    """Return what is wrong with a file's path inside a pack, or None.

    Allowed are relative paths with forward slashes whose parts are ordinary names on Linux and on
    Windows: nothing absolute, no drive, no "..", no device, no control or direction character.
    """
    if not name or len(name) > LONGEST_NAME:
        return f"a name of {len(name)} characters"
    parts = name.split("/")
    if len(parts) > DEEPEST:
        return f"{len(parts)} folders deep"
    for part in parts:
        if part in ("", ".", ".."):
            return "an absolute path or one that leaves the folder"
        if set(part) & _FORBIDDEN or not part.isprintable():
            return "a character that file names must not have"
        if part[-1] in ". " or part[0] == " ":
            return "a part that begins or ends with a blank or ends with a point"
        if part.split(".")[0].strip().casefold() in _RESERVED:
            return "the name of a device"
        if part.startswith("."):
            return "a hidden file"
    return None


def folded(name: str) -> str:
    """Return the name as a file system that ignores case and accents' spelling sees it."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def collision(names: list[str]) -> tuple[str, str] | None:
    """Return two names of which one would overwrite or block the other, or None.

    That is: the same name twice, names that differ in case or spelling only, and a file that
    another name uses as a folder.
    """
    seen: dict[str, str] = {}
    for name in names:
        if (other := seen.setdefault(folded(name), name)) is not name:
            return other, name
    for name in names:
        parts = folded(name).split("/")
        for depth in range(1, len(parts)):
            if (other := seen.get("/".join(parts[:depth]), "")) != "":
                return other, name
    return None
