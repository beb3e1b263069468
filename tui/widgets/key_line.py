"""The footer: the keys that act now, made from the bindings so that it cannot be wrong."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from textual.binding import Binding
from textual.screen import Screen

from .looks import Line, Looks, line_text
from .sheet import Sheet

_NAMES = {
    "enter": "Enter",
    "escape": "Esc",
    "tab": "Tab",
    "space": "Space",
    "up": "Up",
    "down": "Down",
    "pageup": "PgUp",
    "pagedown": "PgDn",
}
HELP = "help"  # id of the binding that is never left out: it leads to all others


def key_name(key: str) -> str:
    """Return a key as it is printed on the keyboard."""
    return _NAMES.get(key, key.upper() if key[0] == "f" and key[1:].isdigit() else key)


def active(screen: Screen[object]) -> list[Binding]:
    """Return the bindings that act now, one per action, with a label."""
    seen: dict[str, Binding] = {}
    for found in screen.active_bindings.values():
        if found.binding.description and found.enabled:
            seen.setdefault(found.binding.action, found.binding)
    return list(seen.values())


def footer(bindings: Iterable[Binding], looks: Looks, width: int) -> Line:
    """Return as many keys as fit into ``width``; the key for help is always among them."""
    shown = [b for b in bindings if b.show]
    last = [b for b in shown if b.id == HELP]
    line: Line = []
    room = width - sum(looks.width(line_text(_entry(b))) for b in last)
    for binding in shown:
        entry = _entry(binding)
        size = looks.width(line_text(entry))
        if binding in last or size > room:
            continue
        line += entry
        room -= size
    return line + [part for b in last for part in _entry(b)]


def _entry(binding: Binding) -> Line:
    return [(key_name(binding.key), "key"), (f" {binding.description}  ", "dim")]


class KeyLine(Sheet):
    """One line with the keys that act now."""

    def on_mount(self) -> None:
        """Follow every change of focus and of what is possible."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.redraw())

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the keys that act now."""
        return [footer(active(self.screen), self.looks, width)]
