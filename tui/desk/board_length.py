"""The board's pitch from a length measured over many pitches, as forms ask for it."""

from __future__ import annotations

from engine.boards.pattern import SCALE_U, Board

from .form import (
    Check,
    Question,
    above_zero,
    as_number,
    not_below_zero,
    not_below_zero_or_empty,
    whole,
)

PITCH_OFF = 0.02  # [-] from the cell's pitch; printers are off by less (CP, no source)
DIGITS = 12  # of a length or pitch: what rounding leaves of them


def length_questions(
    length: str, u: str, *, open_: bool, pitch_mm: float | None = None
) -> list[Question]:
    """Ask for a length over many pitches and how well it is known, with what is proposed.

    ``open_``: the second may be left empty. ``pitch_mm``: what the cell says, to compare with.
    """
    return [
        Question("length", "Board: length / pitches, mm", length, _a_length,
                 "Measure over a whole row: 200.1/10 is 200.1 mm over 10 pitches. One pitch as a "
                 "certificate gives it: 20.001/1.", _pitch_note(length, pitch_mm)),
        Question("length_u", "This length known to, mm", u,
                 not_below_zero_or_empty if open_ else not_below_zero,
                 "Standard uncertainty, such as 0.1 with a calliper, 0.3 with a rule, or as the "
                 "certificate says.", _unknown),
    ]  # fmt: skip


def asked_of(board: Board) -> list[Question]:
    """Ask for the length of a board that is described, over its whole row."""
    pitches = board.columns - 1
    length = f"{board.pitch_mm * pitches:.{DIGITS}g}"
    u = "" if board.scale_u is None else f"{board.scale_u * float(length):.3g}"
    return length_questions(
        f"{length}/{pitches}", u, open_=board.scale_u is None, pitch_mm=board.pitch_mm
    )


def pitch_of(text: str) -> float:
    """Return the pitch [mm] of a length over so many pitches. Raises PoseError."""
    length, pitches = _parts(text)
    return float(f"{length / pitches:.{DIGITS}g}")


def length_u(text: str, u: str) -> float | None:
    """Return how well the length is known, relative; None where that is left empty."""
    return float(f"{as_number(u) / _parts(text)[0]:.6g}") if u.strip() else None


def _parts(text: str) -> tuple[float, int]:
    length, _, pitches = text.partition("/")
    return as_number(length), int(pitches)


def _a_length(text: str) -> str | None:
    """Check for a length and a number of pitches with a slash between them."""
    length, slash, pitches = text.partition("/")
    if not slash:
        return "Type length / pitches, such as 200.1/10."
    return above_zero(length.strip()) or whole(pitches)


def _pitch_note(proposed: str, pitch_mm: float | None) -> Check:
    """Say which pitch a length makes that was typed, and of one far from the cell's that it is."""

    def note(text: str) -> str | None:
        if text == proposed or not text.strip():
            return None
        pitch = pitch_of(text)
        off = 0.0 if pitch_mm is None else pitch / pitch_mm - 1.0
        if pitch_mm is None or abs(off) <= PITCH_OFF:
            return f"A pitch of {pitch:.6g} mm."
        return (
            f"The cell says {pitch_mm:g} mm: {100 * abs(off):.0f} % {'more' if off < 0 else 'less'}"
            f" than {pitch:.6g} mm. Measure again before you go on: every distance follows it."
        )

    return note


def _unknown(text: str) -> str | None:
    """Say what follows where it is not known how good the length is."""
    if text.strip():
        return None
    return f"Empty: {100 * SCALE_U:g} % is assumed, and the result says so."
