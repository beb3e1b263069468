"""Help: every key of the screen below, made from its bindings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen, Screen

from ..widgets.key_line import KeyLine, key_name
from ..widgets.looks import Line
from ..widgets.sheet import Sheet


def all_bindings(screen: Screen[object]) -> list[Binding]:
    """Return the bindings of a screen and of what has the focus on it, one per key and action."""
    found: dict[tuple[str, str], Binding] = {}
    nodes = [screen.focused, screen, screen.app]
    for node in nodes:
        if node is None:
            continue
        for _, binding in node._bindings:
            if binding.id and binding.tooltip:
                found.setdefault((binding.key, binding.action), binding)
    return list(found.values())


class KeyTable(Sheet, can_focus=True):
    """Keys and what they do; scrolls when there are more than fit."""

    DEFAULT_CSS = "KeyTable { height: auto; max-height: 100%; }"

    def __init__(self, bindings: Iterable[Binding]) -> None:
        super().__init__()
        self.bindings = list(bindings)

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        """Return one line per key."""
        return len(self.bindings)

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return key, name and explanation of every binding."""
        return [
            [
                (f"{key_name(b.key):<7}", "key"),
                (f"{b.description:<12}", "text"),
                (f" {b.tooltip}", "dim"),
            ]
            for b in self.bindings
        ]


class Help(ModalScreen[None]):
    """All keys of the screen below."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,f9,q", "leave", "close", id="help.leave", tooltip="Close the help"),
    ]

    def __init__(self, below: Screen[object]) -> None:
        super().__init__()
        self.below = below

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield KeyTable(all_bindings(self.below))
            yield KeyLine()

    def action_leave(self) -> None:
        self.dismiss(None)
