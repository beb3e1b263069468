"""Findings with their remedy, as many as there are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from engine.findings import Finding

from ..widgets.entry_parts import finding_lines
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line, Looks
from ..widgets.scroll import Scroll


class Findings(ModalScreen[None]):
    """A page of findings on top of the screen that they belong to."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,f5,q", "leave", "close", id="findings.leave", tooltip="Close"),
    ]

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__()
        self.findings = findings

    def compose(self) -> ComposeResult:
        with Vertical(classes="box tall"):
            yield Scroll(self._lines)
            yield KeyLine()

    def _lines(self, looks: Looks, width: int) -> list[Line]:
        if not self.findings:
            return [[("Nothing is said yet.", "dim")]]
        return [
            line for item in self.findings for line in finding_lines(item, looks.wrap, width, False)
        ]

    def action_leave(self) -> None:
        self.dismiss(None)
