"""The result: verdict, uncertainties, findings with their remedy, transforms, residuals."""

from __future__ import annotations

from typing import ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.findings import Finding

from ..desk.desk import Desk
from ..desk.say import title
from ..result_text import result_lines
from ..widgets.head import TitleLine
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line, Looks
from ..widgets.scroll import Scroll
from .ask import Confirm, Paragraph
from .handover import Handover

Wish = Literal["solve", "recheck"] | tuple[str, int | None] | None
SINCE = "m compares with an earlier session: did the camera move since?"
FIXABLE = ("typed-value", "pairing", "rotation-convention", "unit")


class Result(Screen[Wish], Handover):
    """Shows the desk's last result.

    Its answer is None, "solve" for solving again, "recheck" for comparing with an earlier session,
    or code and station of a finding whose suggestion the operator compared with the pendant and
    wants applied.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("a", "apply", "apply correction", id="result.apply",
                tooltip="Take the suggested value, after comparing with pendant or paper"),
        Binding("s,f6", "solve", "solve", id="result.solve", tooltip="Solve again"),
        Binding("p", "prove", "proof", id="result.prove",
                tooltip="Touch points that the camera sees: what the fit alone cannot show"),
        Binding("escape,q", "leave", "back", id="result.leave", tooltip="Back to the stations"),
        *Handover.HANDOVER_KEYS,
        Binding("m", "recheck", "recheck", id="result.recheck",
                tooltip="Did the camera move since an earlier session?"),
    ]  # fmt: skip

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield Scroll(self.lines, id="result")
        yield Paragraph("", id="said")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(TitleLine).show(title(self.desk))
        self.query_one(Scroll).focus()

    def lines(self, looks: Looks, width: int) -> list[Line]:
        """Return what is shown: the result of each camera."""
        desk, solution = self.desk, self.desk.solution
        if solution is None:
            return []
        cell, fresh = desk.opened().cell, desk.fresh
        return result_lines(solution.stored, cell, looks.wrap, width, fresh=fresh, hint=SINCE)

    def correction(self) -> Finding | None:
        """Return the first finding whose suggestion can be applied, or None."""
        return next((item for item in self.desk.findings if item.code in FIXABLE), None)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer a correction only where there is one that can be written."""
        if action == "apply":
            return not self.desk.follow and self.correction() is not None
        if action == "prove":
            return self.desk.fresh
        return not (action in ("solve", "report", "export") and self.desk.follow)

    def action_apply(self) -> None:
        """Ask to compare with the pendant or the paper first; the operator decides."""
        item = self.correction()
        if item is None:
            return
        found = item

        def answered(yes: bool | None) -> None:
            if yes:
                self.dismiss((found.code, found.station))

        text = f"{item.message}\n\n{item.remedy}\n\nDid you compare it, and is it so?"
        place = f"Station {item.station}" if item.station is not None else "The whole session"
        self.app.push_screen(Confirm(place, text), answered)

    def action_solve(self) -> None:
        self.dismiss("solve")

    def action_recheck(self) -> None:
        self.dismiss("recheck")

    def action_prove(self) -> None:
        """Prove the result by touch, then show what became of it."""
        from .proof import Proof

        scroll = self.query_one(Scroll)
        self.app.push_screen(Proof(self.desk), lambda _: scroll.redraw())

    def action_leave(self) -> None:
        self.dismiss(None)
