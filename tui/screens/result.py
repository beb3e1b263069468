"""The result: verdict, uncertainties, findings with their remedy, transforms, residuals."""

from __future__ import annotations

from typing import ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.findings import Finding

from ..desk.desk import Desk
from ..desk.say import title
from ..widgets.head import TitleLine
from ..widgets.key_line import KeyLine
from ..widgets.result_view import ResultView, write_result
from ..widgets.scroll import Scroll
from .ask import Confirm

Wish = Literal["solve"] | tuple[str, int | None] | None
FIXABLE = ("typed-value", "pairing", "rotation-convention", "unit")


class Result(Screen[Wish]):
    """Shows the desk's last result.

    Its answer is None, "solve" for solving again, or code and station of a finding whose suggestion
    the operator compared with the pendant and wants applied.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("a", "apply", "apply correction", id="result.apply",
                tooltip="Take the suggested value, after comparing with pendant or paper"),
        Binding("s,f6", "solve", "solve again", id="result.solve", tooltip="Solve again"),
        Binding("escape,q", "leave", "back", id="result.leave", tooltip="Back to the stations"),
    ]  # fmt: skip

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield Scroll(lambda looks, width: write_result(self.view(), looks, width), id="result")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(TitleLine).show(title(self.desk))
        self.query_one(Scroll).focus()

    def view(self) -> ResultView:
        """Return what is shown."""
        desk = self.desk
        tolerance = desk.session.cell.tolerance if desk.session else None
        solution = desk.solution
        return ResultView(
            solution.document if solution else {},
            solution.shown if solution else {},
            desk.labels,
            tolerance.position_mm if tolerance else None,
            tolerance.angle_deg if tolerance else None,
            desk.fresh,
        )

    def correction(self) -> Finding | None:
        """Return the first finding whose suggestion can be applied, or None."""
        return next((item for item in self.desk.findings if item.code in FIXABLE), None)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer a correction only where there is one that can be written."""
        if action == "apply":
            return not self.desk.follow and self.correction() is not None
        return not (action == "solve" and self.desk.follow)

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

    def action_leave(self) -> None:
        self.dismiss(None)
