"""The menu of the job: every step in the order of the job, and every key of the screen below."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, NamedTuple

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.dom import DOMNode
from textual.screen import ModalScreen, Screen

from ..widgets.lists import SIGN, Chooser
from ..widgets.looks import Line, line_text
from ..widgets.panels import KeyLine
from ..widgets.sheet import Paragraph
from .help import acts, all_bindings, keys

# Ids of bindings in the order of the job; what stands in no list comes after it, in its own order.
JOB = {
    "before": ("stations.questions", "job.board", "job.focus", "job.lens"),
    "stations": ("pose.store", "stations.accept", "images.image", "stations.look",
                 "stations.table", "station.photo"),
    "result": ("solve.solve", "result.solve", "solve.result"),
    "proof": ("result.prove", "job.frame"),
    "handing over": ("job.about", "handover.report", "handover.export", "result.copy", "job.pack"),
    "later": ("demo.bump", "demo.practice", "solve.recheck", "result.recheck", "job.compare"),
}  # fmt: skip
GROUPS = {name: group for group, names in JOB.items() for name in names}


LOOK_WORDS = {  # remembered for the user
    "dark": "Light letters on dark: for most rooms",
    "light": "Dark letters on light: for daylight on the screen",
    "contrast": "Black, white and yellow alone: for dirt on the screen and tired eyes",
}
PICTURE_WORDS = {  # remembered for the user
    "on": "Whatever the line",
    "off": "Signs instead, whatever the line",
    "auto": "On where the line is quick, off where it is slow",
}


class Entry(NamedTuple):
    group: str
    name: str
    words: str
    keys: str
    node: DOMNode
    action: str


def entries(below: Screen[object]) -> list[Entry]:
    order = list(GROUPS)
    found = list(_possible(below))
    found.sort(key=lambda item: order.index(item[1].id) if item[1].id in order else len(order))
    listed = [
        Entry(GROUPS.get(b.id or "", ""), b.description, b.tooltip, keys(b), node, b.action)
        for node, b in found
    ]
    looks = [
        Entry("screen", f"{name} look", words, "", below.app, f"look('{name}')")
        for name, words in LOOK_WORDS.items()
    ]
    pictures = [
        Entry("screen", f"pictures {wish}", words, "", below.app, f"pictures('{wish}')")
        for wish, words in PICTURE_WORDS.items()
    ]
    garbled = "Send the whole screen again, where a bad line garbled it"
    anew = Entry("screen", "paint anew", garbled, "", below.app, "paint")
    return [*listed, *looks, *pictures, anew]


def _possible(below: Screen[object]) -> Iterator[tuple[DOMNode, Binding]]:
    for node, binding in all_bindings(below):
        if binding.description and acts(node, binding):
            yield node, binding


class Entries(Chooser[Entry]):
    def row_line(self, item: Entry, width: int) -> Line:
        head: Line = [(f"{item.group:<13}", "dim"), (f"{item.name:<20}", "title")]
        return [*head, (f"{item.keys:<11}", "key"), (item.words, "dim")]


class Menu(ModalScreen[Entry | None]):
    """Asks what to do. Typing narrows the lines down; the answer is the chosen one, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "take", "do it", id="menu.take", tooltip="Do what is chosen"),
        Binding("escape,f8", "dismiss(None)", "close", id="menu.leave", tooltip="Do nothing"),
    ]

    def __init__(self, below: Screen[object]) -> None:
        super().__init__()
        self.all = entries(below)
        self.typed = ""

    def compose(self) -> ComposeResult:
        with Vertical(classes="box tall"):
            yield Paragraph("", "title", id="asked")
            yield Entries(self.all, empty="Nothing is called so.", id="entries")
            yield Paragraph("", id="whole")
            yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(Entries).focus()
        self._show()

    def _show(self) -> None:
        words = self.typed.lower().split()
        kept = [e for e in self.all if all(w in f"{e.name} {e.words}".lower() for w in words)]
        kept.sort(key=lambda e: not all(w in e.name.lower() for w in words))  # names first
        self.query_one(Entries).show_items(kept, 0)
        said = f"What next?  {self.typed}_" if self.typed else "What next? Typing finds it."
        self.query_one("#asked", Paragraph).show(said, "title")
        self.on_chooser_chosen()

    def on_key(self, event: events.Key) -> None:
        if event.is_printable and event.character:
            self.typed += event.character
        elif event.key == "backspace":
            self.typed = self.typed[:-1]
        else:
            return
        event.stop()
        event.prevent_default()
        self._show()

    def on_chooser_chosen(self) -> None:
        """Show below the list, whole, the explanation that its row cuts."""
        listed, words = self.query_one(Entries), ""
        room = listed.size.width - len(f"{SIGN} ")
        if (chosen := listed.item) and len(line_text(listed.row_line(chosen, room))) > room:
            words = chosen.words
        self.query_one("#whole", Paragraph).show(words)

    def on_resize(self) -> None:
        self.on_chooser_chosen()

    def on_chooser_taken(self) -> None:
        self.action_take()

    def action_take(self) -> None:
        self.dismiss(self.query_one(Entries).item)
