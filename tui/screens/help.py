"""What is known of the screen below: every key, every action to find, every finding."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import ClassVar

from textual import actions
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.dom import DOMNode
from textual.screen import ModalScreen, Screen

from engine.cautions import PLAN
from engine.findings import Finding

from ..desk.views import Facts, Move
from ..widgets.looks import Line, Looks
from ..widgets.panels import FactsPanel, KeyLine, fact_lines, key_name
from ..widgets.sheet import Scroll
from ..words import Part, finding_lines, flow

GAP = 2  # cells between keys, name and explanation


def all_bindings(screen: Screen[object]) -> list[tuple[DOMNode, Binding]]:
    """Return the bindings of a screen, of what can have the focus, what holds it, and of the app.

    Each with the node that it belongs to; one per id, nearest first.
    """
    found: dict[str, tuple[DOMNode, Binding]] = {}
    within = [
        node
        for part in screen.focus_chain
        for node in part.ancestors_with_self
        if node not in (screen, screen.app)
    ]
    for node in (*within, screen, screen.app):
        for binding in _declared(node):
            found.setdefault(binding.id or "", (node, binding))
    return list(found.values())


def _declared(node: DOMNode) -> Iterator[Binding]:
    """Yield the bindings with an id that a node's class and those above it declare.

    What a class above binds to a key that is bound again does not act.
    """
    taken: set[str] = set()
    for above in type(node).__mro__:
        declared = [
            binding
            for binding in above.__dict__.get("BINDINGS", ())
            if isinstance(binding, Binding) and binding.key not in taken
        ]
        taken |= {binding.key for binding in declared}
        yield from (b for b in declared if b.id and b.tooltip)


def acts(node: DOMNode, binding: Binding) -> bool:
    """Tell whether a binding of ``node`` does anything now."""
    _, action, parameters = actions.parse(binding.action)
    return bool(node.check_action(action, parameters))


def keys(binding: Binding) -> str:
    return ", ".join(key_name(key) for key in binding.key.split(","))


def key_lines(bindings: Iterable[Binding], looks: Looks, width: int) -> list[Line]:
    listed = list(bindings)
    first = max((len(keys(b)) for b in listed), default=0) + GAP
    second = max((len(b.description) for b in listed), default=0) + GAP
    lines: list[Line] = []
    for binding in listed:
        texts = looks.wrap(binding.tooltip, width - first - second)
        key, name = f"{keys(binding):<{first}}", f"{binding.description:<{second}}"
        lines.append([(key, "key"), (name, "text"), (texts[0], "dim")])
        lines += [[(" " * (first + second), "text"), (text, "dim")] for text in texts[1:]]
    return lines


class Help(ModalScreen[None]):
    """All keys of the screen below, after what it has no room for."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,f9,q", "dismiss", "close", id="help.leave", tooltip="Close the help"),
    ]

    def __init__(self, below: Screen[object]) -> None:
        super().__init__()
        self.below = below

    def compose(self) -> ComposeResult:
        with Vertical(classes="box tall"):
            yield Scroll(self._lines)
            yield KeyLine()

    def _lines(self, looks: Looks, width: int) -> list[Line]:
        lines: list[Line] = []
        for panel in self.below.query(FactsPanel):
            if panel.cut():
                lines += [*fact_lines(panel.data, looks, width), []]
        desk = getattr(self.below, "desk", None)
        listed = _acting(all_bindings(self.below), bool(desk and desk.follow))
        return lines + key_lines(listed, looks, width)


def _acting(bindings: Sequence[tuple[DOMNode, Binding]], follows: bool) -> list[Binding]:
    """Return them without those of a key that does something else now.

    ``follows``: only those that act, for whoever follows may change nothing at any row.
    """
    taken = [binding.key for _, binding in bindings]
    return [
        binding
        for node, binding in bindings
        if (taken.count(binding.key) == 1 and not follows) or acts(node, binding)
    ]


class Findings(ModalScreen[None]):
    """A page of findings on top of the screen that they belong to."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,f5,q", "dismiss", "close", id="findings.leave", tooltip="Close"),
        Binding("f9", "keys", "all keys", id="findings.keys", tooltip="The keys of the screen"),
    ]

    def __init__(
        self,
        findings: Sequence[Finding],
        accepted: Sequence[str] = (),
        message: Iterable[Part] = (),
    ) -> None:
        super().__init__()
        self.findings, self.accepted, self.message = findings, accepted, list(message)
        self.move: Move | None = None  # shown below them, with the whole caution
        self.facts: Facts | None = None  # shown below the findings

    def compose(self) -> ComposeResult:
        with Vertical(classes="box tall"):
            yield Scroll(self._lines)
            yield KeyLine()

    def _lines(self, looks: Looks, width: int) -> list[Line]:
        lines = flow(self.message, looks.wrap, width) if self.message else []
        for item in self.findings:
            lines += finding_lines(item, looks.wrap, width, item.code in self.accepted)
        if self.facts is not None:
            lines += [[], *fact_lines(self.facts, looks, width)]
        if self.move is not None:
            lines += [[], *_move_lines(self.move, looks, width)]
        return lines or [[("Nothing is said yet.", "dim")]]

    async def action_keys(self) -> None:
        await self.dismiss(None)
        await self.app.run_action("help")


def _move_lines(move: Move, looks: Looks, width: int) -> list[Line]:
    """Return a move, what is to be known of its plan, and the whole caution."""
    lines: list[Line] = [[(text, "title")] for text in looks.wrap(move.headline, width)]
    for part in filter(None, (*move.move.split("\n"), move.why, *move.notes)):
        lines += [[(text, "text")] for text in looks.wrap(part, width)]
    for sentence in PLAN:
        lines += [[(text, "warning")] for text in looks.wrap(sentence, width)]
    return lines
