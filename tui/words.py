"""What is said of findings, rechecks and proofs: lines of (text, role), for terminal and screen.

Nothing heavy is loaded here. A role names what a text is ("good", "warning", "dim", ...); the
screen gives it a colour, the command line prints the text alone. Results are in `result_text`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from engine.findings import Finding, Level, counted
from engine.proof.answer import rechecked

if TYPE_CHECKING:
    from engine.proof.conclusion import Proof
    from engine.proof.recheck import Recheck
    from engine.steps.archive import Again

Part = tuple[str, str]  # text, role
Line = list[Part]
Wrap = Callable[[str, int], list[str]]  # lines of at most so many cells

NOT_KNOWN = "not known"
NAME = 26  # cells for the name of a fact
RECHECKABLE = ("camera-moved", "board-moved")  # a recheck against an earlier session tells more
LEVEL_WORDS = {
    Level.ERROR: ("ERROR", "error"),
    Level.WARNING: ("WARNING", "warning"),
    Level.NOTE: ("note", "note"),
}


# Characters that a terminal obeys, or that turn or hide what is read.
_HIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]"
)


def visible(text: str) -> str:
    """Return the text with every control and direction character as its number: what a file or a
    name holds is shown, never obeyed. Tabs and ends of lines stay."""
    return _HIDDEN.sub(_numbered, text)


def _numbered(found: re.Match[str]) -> str:
    code = ord(found[0])
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"


def unwrapped(text: str, width: int) -> list[str]:
    """Return a text as one line: a terminal wraps by itself, and a file needs none."""
    return [text]


def line_text(line: Line) -> str:
    return "".join(text for text, _ in line)


def caution(texts: Iterable[str]) -> str:
    """Return what stands on a screen at all times while something can hurt somebody."""
    return "CAUTION  " + " ".join(texts)


def flow(line: Line, wrap: Wrap, width: int) -> list[Line]:
    """Return a line in lines of at most ``width`` cells, every word in its own role."""
    texts = wrap(line_text(line), width)
    roles = [role for text, role in line for sign in text if not sign.isspace()]
    lines: list[Line] = []
    at = 0
    for text in texts:
        signs: Line = []
        for sign in text:
            blank = sign.isspace() or at >= len(roles)
            role = (signs[-1][1] if signs else "text") if blank else roles[at]
            at += not sign.isspace()
            signs.append((sign, role))
        lines.append(joined(signs))
    return lines


def unfinished(line: Line, width: int, sign: str = " ...") -> Line:
    """Return a line that ends with a sign that more would follow."""
    room = max(width - len(sign), 0)
    kept: Line = []
    for text, role in line:
        left = room - len(line_text(kept))
        if len(text) > left:
            kept.append((text[:left].rpartition(" ")[0] or text[:left], role))
            break
        kept.append((text, role))
    return [*kept, (sign, "dim")]


def joined(signs: Iterable[Part]) -> Line:
    """Return signs side by side as a line, those of one role as one."""
    line: Line = []
    for sign, role in signs:
        if line and line[-1][1] == role:
            line[-1] = line[-1][0] + sign, role
        else:
            line.append((sign, role))
    return line


def bar(fraction: float | None, width: int) -> str:
    """Return a bar of ``width`` signs, filled from the left; empty where nothing is known."""
    share = 0.0 if fraction is None else min(max(fraction, 0.0), 1.0)
    filled = round(share * width)
    return "█" * filled + "░" * (width - filled)


def number(value: float | None, unit: str, digits: int = 3) -> str:
    """Return a value with its unit, or the words that it is not known."""
    return NOT_KNOWN if value is None else f"{value:.{digits}f} {unit}"


def expanded(u: float | None, unit: str, digits: int = 3) -> str:
    """Return ± U = 2u with its unit, or the words that it is not known."""
    return NOT_KNOWN if u is None else f"± {2 * u:.{digits}f} {unit}"


def finding_lines(finding: Finding, wrap: Wrap, width: int, accepted: bool = False) -> list[Line]:
    """Return one finding: level and message, and the remedy below."""
    lines = headline(finding, wrap, width, accepted)
    return lines if accepted else lines + remedy(finding, wrap, width)


def headline(
    finding: Finding, wrap: Wrap, width: int, accepted: bool = False, place: str = ""
) -> list[Line]:
    """Return level, code and message of a finding; ``place`` where it belongs to, after the code.

    ``accepted``: the operator takes it as it is.
    """
    word, role = LEVEL_WORDS[finding.level]
    if accepted:
        word, role = f"{word} accepted", "dim"
    first = f"{word} {finding.code}{place}: "
    texts = wrap(f"{first}{finding.message}", width)
    return [
        [(texts[0][: len(first)], role), (texts[0][len(first) :], "text")],
        *[[(text, "text")] for text in texts[1:]],
    ]


def remedy(finding: Finding, wrap: Wrap, width: int) -> list[Line]:
    if not finding.remedy:
        return []
    return [[(f"  {text}", "dim")] for text in wrap(finding.remedy, width - 2)]


def recheck_parts(answers: Iterable[Recheck]) -> list[Part]:
    """Return what rechecks say, in few words for large letters: of each camera, and how far."""
    parts: list[Part] = []
    for answer in answers:
        said, role, _ = rechecked(answer.cause, answer.moved)
        parts.append((said.partition(",")[0], role))
        if answer.moved and answer.movement is not None:
            movement = answer.movement
            size = movement.clearest.size_mm if movement.hidden else movement.position_mm
            parts.append((f"{size:.2f} mm", "title"))
    return parts


DECISION = "pick-now"  # the finding that says whether the old result still serves


def recheck_lines(answer: Recheck, since: str, wrap: Wrap, width: int) -> list[Line]:
    """Return a recheck: what moved since, what a pick is off, how far it moved, the findings.

    What a pick on the old result is off, and what to do next, comes before all figures: where room
    is short, it is what must be seen.
    """
    said, role, _ = rechecked(answer.cause, answer.moved)
    lines: list[Line] = [[(said, role), (f"  since {since}", "dim")]]
    for item in answer.findings:
        lines += finding_lines(item, wrap, width) if item.code == DECISION else []
    if (move := answer.movement) is not None and answer.cause != "board":  # which did not move
        who = "camera" if answer.cause == "camera" else "camera alone"  # as if nothing else had
        at_work = f"{move.work_volume_mm:.2f} {expanded(move.u_work_volume_mm, 'mm', 2)}"
        shift, turn = number(answer.detectable_mm, "mm", 2), answer.detectable_deg
        lines += _fact(f"{who} (± U = 2u)", move.words(), wrap, width)
        if move.hidden and answer.cause != "none":
            lines += _fact("most clearly", move.most_clearly(), wrap, width)
        lines += _fact("at the pick area", at_work, wrap, width)
        lines += _fact("would be found", f"a shift of {shift}, a turn of {turn:.3f}°", wrap, width)
    for item in answer.findings:
        lines += finding_lines(item, wrap, width) if item.code != DECISION else []
    return lines


def _fact(name: str, value: str, wrap: Wrap, width: int) -> list[Line]:
    """Return a name and beside it a value, which may take several lines."""
    first, *more = wrap(value, width - NAME)
    (said,) = wrap(name, NAME)  # signs may take more room on this terminal
    return [
        [(f"{said:<{NAME}}", "dim"), (first, "text")],
        *[[(" " * NAME, "dim"), (text, "text")] for text in more],
    ]


def proof_said(proof: Proof | None) -> str:
    if proof is None or proof.mean_mm is None:
        return "Nothing proven yet"
    word = "PROVEN" if proof.proven else "PROOF FAILED" if proof.failed else "NOT PROVEN"
    return (
        f"{word}: {proof.mean_mm:.2f} mm off on average, {proof.max_mm:.2f} at worst, "
        f"tolerance {proof.tolerance_mm:g} mm"
    )


def proof_parts(proof: Proof | None) -> list[Part]:
    if proof is None or proof.mean_mm is None:
        return []
    said = ("proof failed", "error") if proof.failed else ("not proven", "warning")
    said = ("proven", "good") if proof.proven else said
    return [said, (f"{proof.max_mm:.2f} mm off", "title")]


def duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def short_verdict(verdict: str, holds: str | None) -> str:
    """Return the verdict for a table; ``holds``: on which told numbers it rests, if on any."""
    return "only as told" if holds else verdict


def again_lines(done: Sequence[Again], root: Path, stored: str) -> list[str]:
    """Return the table for a person: what changed, how many did not, and what was ``stored``."""
    changed = [item for item in done if item.changed]
    lines = []
    if changed:
        lines.append(f"{'U before':>8} {'U now':>7} {'shift mm':>9} {'in U':>6}  verdict, session")
    for item in changed:
        place = Path(item.folder)
        name = place.relative_to(root) if place != root else place
        if item.error:
            lines.append(f"{'':34}NOT SOLVED, {name}: {item.error}")
            continue
        before, verdict = (
            short_verdict(found, holds)
            for found, holds in (
                (item.verdict_before or "no result", item.verdict_holds_before),
                (item.verdict or "", item.verdict_holds),
            )
        )
        if verdict != before:
            verdict = f"{before} -> {verdict}"
        codes = [f"+{code}" for code in item.codes_new] + [f"-{code}" for code in item.codes_gone]
        said = f"  {' '.join(codes)}" if codes else ""
        said += f"  U {item.not_known}" if item.not_known else ""
        lines.append(
            f"{figure(item.expanded_mm_before):>8} {figure(item.expanded_mm):>7} "
            f"{figure(item.shift_mm):>9} {figure(item.shift_u):>6}  {verdict}, {name}{said}"
        )
    failed = sum(item.error is not None for item in done)
    worse = sum(item.worse for item in done)
    lines += ["", f"{counted(len(done), 'session')}: {len(done) - len(changed)} as before, "
              f"{len(changed)} changed, {worse} no longer accepted, {failed} not solved; "
              f"{stored}"]  # fmt: skip
    return lines


def figure(value: float | None, decimals: int = 3) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"
