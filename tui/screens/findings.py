"""Findings with their remedy, as many as there are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from engine.findings import Finding

from ..widgets.key_line import KeyLine
from ..widgets.looks import Line, Looks
from ..widgets.scroll import Scroll
from ..words import finding_lines


class Findings(ModalScreen[None]):
    """A page of findings on top of the screen that they belong to."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,f5,q", "leave", "close", id="findings.leave", tooltip="Close"),
        Binding("f9", "keys", "all keys", id="findings.keys", tooltip="The keys of the screen"),
    ]

    def __init__(self, findings: Sequence[Finding], accepted: Sequence[str] = ()) -> None:
        super().__init__()
        self.findings, self.accepted = findings, accepted

    def compose(self) -> ComposeResult:
        with Vertical(classes="box tall"):
            yield Scroll(self._lines)
            yield KeyLine()

    def _lines(self, looks: Looks, width: int) -> list[Line]:
        if not self.findings:
            return [[("Nothing is said yet.", "dim")]]
        lines: list[Line] = []
        for item in self.findings:
            lines += finding_lines(item, looks.wrap, width, item.code in self.accepted)
        return lines

    def action_leave(self) -> None:
        self.dismiss(None)

    async def action_keys(self) -> None:
        """Go on to the keys of the screen below."""
        await self.dismiss(None)
        await self.app.run_action("help")
