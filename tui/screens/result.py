"""The result: verdict, uncertainties, findings, transforms, residuals; and handing it over."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from engine.errors import StationbookError
from engine.findings import Finding
from engine.steps.correcting import can_apply
from engine.steps.handover import Written

from ..desk.changes import export_forms, write_exports, write_reports
from ..desk.desk import Desk
from ..desk.say import job, title
from ..result_text import result_lines, verdict_parts
from ..widgets.large import LargeLine
from ..widgets.lists import Chooser
from ..widgets.looks import Line, Looks, line_text
from ..widgets.panels import JobLine, KeyLine
from ..widgets.sheet import Paragraph, Scroll
from .jobs import Confirm, Working, in_background
from .proof import Proof

Wish = Literal["solve", "recheck"] | tuple[str, int | None] | None
SINCE = "m compares with an earlier session: did the camera move since?"
COPIED = 100  # cells in a line that is copied


class Forms(Chooser[tuple[str, str]]):
    """The export forms, each with what it is for."""

    DEFAULT_CSS = "Forms { height: 9; }"

    def row_line(self, item: tuple[str, str], width: int) -> Line:
        return [(f"{item[0]:<12}", "title"), (item[1], "text")]


class ChooseForm(ModalScreen[str | None]):
    """Asks for the form of an export. The answer is its name, or None after Esc."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "take", "write", id="form.take", tooltip="Write the chosen form"),
        Binding("escape,q", "dismiss", "leave", id="form.leave", tooltip="Write nothing"),
    ]

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Paragraph("In which form is the result handed over?", "title")
            yield Paragraph("It is written into the session's folder.")
            yield Forms(id="forms")
            yield KeyLine()

    def on_mount(self) -> None:
        chooser = self.query_one(Forms)
        chooser.show_items(export_forms())
        chooser.focus()

    def action_take(self) -> None:
        item = self.query_one(Forms).item
        self.dismiss(item[0] if item else None)


class Result(Working[Wish]):
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
        Binding("escape,q", "dismiss", "back", id="result.leave", tooltip="Back to the stations"),
        Binding("r", "report", "report", id="handover.report",
                tooltip="Write the report that the customer signs: report.html"),
        Binding("x", "export", "export", id="handover.export",
                tooltip="Write the result in the form that robot or vision program reads"),
        Binding("c", "copy", "copy", show=False, id="result.copy",
                tooltip="Copy the result to the clipboard as it is shown, also over SSH"),
        Binding("m", "recheck", "recheck", id="result.recheck",
                tooltip="Did the camera move since an earlier session?"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, proof: Callable[[Desk], Proof] = Proof) -> None:
        """``proof`` makes the screen of the proof."""
        super().__init__()
        self.desk, self.proof = desk, proof

    def parts(self) -> ComposeResult:
        yield JobLine(id="job")
        yield LargeLine(id="verdict")
        yield Scroll(self.lines, id="result")
        yield Paragraph("", id="said")

    def on_mount(self) -> None:
        self.headed(*title(self.desk))
        self._show_job()
        self.query_one(Scroll).focus()

    def _show_job(self) -> None:
        self.query_one(JobLine).show(job(self.desk, here=True))
        if (solution := self.desk.solution) is not None:
            parts = verdict_parts(solution.stored, fresh=self.desk.fresh)
            self.query_one(LargeLine).show(parts)

    def lines(self, looks: Looks, width: int) -> list[Line]:
        """Return what is shown: the result of each camera."""
        desk, solution = self.desk, self.desk.solution
        if solution is None:
            return []
        cell, fresh = desk.opened().cell, desk.fresh
        return result_lines(solution.stored, cell, looks.wrap, width, fresh=fresh, hint=SINCE)

    def correction(self) -> Finding | None:
        """Return the first finding whose suggestion can be applied, or None."""
        return next(filter(can_apply, self.desk.findings), None)

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
        wish = item.code, item.station
        text = f"{item.message}\n\n{item.remedy}\n\nDid you compare it, and is it so?"
        place = f"Station {item.station}" if item.station is not None else "The whole session"
        self.jobs.ask(Confirm(place, text), lambda _: self.dismiss(wish))

    def action_solve(self) -> None:
        """Solve again; what the result rests on beside the stations is not lost unasked."""
        stored = self.desk.solution.stored if self.desk.solution else None
        if stored is None or stored.before is None:
            self.dismiss("solve")
            return
        text = (
            f"This result rests on session {stored.before.session} too. Solved again, it rests on "
            "the stations of this one alone. m, then b, takes the board from there again."
        )
        self.jobs.ask(
            Confirm("Solve from these stations alone?", text), lambda _: self.dismiss("solve")
        )

    def action_recheck(self) -> None:
        self.dismiss("recheck")

    def action_copy(self) -> None:
        """Copy the result to the clipboard of whoever looks on (OSC 52)."""
        lines = self.lines(self.app.looks, COPIED)  # type: ignore[attr-defined]
        self.app.copy_to_clipboard("\n".join(line_text(line).rstrip() for line in lines))
        self.tell("Copied.", "good")

    def action_prove(self) -> None:
        self.app.push_screen(self.proof(self.desk), lambda _: self.show_again())

    def show_again(self) -> None:
        """Show what is true now, after a proof or a change that somebody else made."""
        self.headed(*title(self.desk))
        self.query_one(Scroll).redraw()
        self._show_job()
        self.refresh_bindings()

    # ---- handing over ----------------------------------------------------------------------

    def action_report(self) -> None:
        self.tell("The report is being made ...", "note")
        self.jobs.begin(self._write, write_reports, group="handover")

    def action_export(self) -> None:

        def chosen(form: str) -> None:
            self.jobs.begin(self._write, write_exports, form, group="handover")

        self.jobs.ask(ChooseForm(), chosen)

    async def _write(self, write: Callable[..., Written], *args: object) -> None:
        try:
            paths, refused = await in_background(write, self.desk, *args)
        except StationbookError as error:
            self.tell(f"Not written: {error}", "error")
        else:
            said = [f"Written: {', '.join(map(str, paths))}"]
            said += [f"Not written: {why}" for why in refused]
            self.tell(". ".join(said), "warning" if refused else "good")
            self._show_job()
