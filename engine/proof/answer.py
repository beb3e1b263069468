"""What a recheck answered, in words. Nothing heavy is loaded here."""

from __future__ import annotations

RECHECKED: dict[tuple[str, bool | None], tuple[str, str, str]] = {  # said, role, said in a list
    ("none", False): ("NOT MOVED", "good", "not moved"),
    ("board", False): ("CAMERA NOT MOVED, BOARD SITS ELSEWHERE", "warning", "board"),
    ("camera", True): ("CAMERA MOVED", "error", "MOVED"),
    ("board", None): ("NOT KNOWN, BOARD NOT AS IT WAS", "warning", "board"),
    ("lens", None): ("LENS CHANGED", "error", "LENS"),
    ("unclear", True): ("SOMETHING DOES NOT FIT, NOT KNOWN WHAT", "error", "unclear"),
}


def rechecked(cause: str, moved: bool | None) -> tuple[str, str, str]:
    """Return what is said of such an answer, its role, and the same in a word or two."""
    return RECHECKED.get((cause, moved), ("NOT KNOWN", "note", "not known"))
