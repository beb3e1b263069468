"""Find the fault: the stations of a session with one mistake in it, and the question which."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from ..desk.desk import Desk
from ..desk.kept import Kept
from ..desk.practice import FAULTS, Planted
from ..desk.views import rows
from ..result_text import residual_lines
from ..widgets.lists import Chooser, StationList
from ..widgets.looks import Line
from ..widgets.sheet import Paragraph, Scroll
from .jobs import Ask, Working

ASKED = (
    "One mistake is planted in this copy of the session. Below are the residuals as they are "
    "then. Choose what is wrong, Enter; where it is one station, its number is asked too."
)


class Faults(Chooser[tuple[str, str]]):
    DEFAULT_CSS = "Faults { height: 5; }"

    def row_line(self, item: tuple[str, str], width: int) -> Line:
        return [(f"{item[0]:<21}", "title"), (item[1], "text")]


class Practice(Working[None]):
    """Asks for the planted mistake, tells whether that is right, explains it, and keeps a score."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "answer", "answer", id="practice.answer", tooltip="Name this mistake"),
        Binding("tab", "other", "list/figures", id="practice.other", tooltip="Faults or figures"),
        Binding("escape,q", "dismiss", "back", id="practice.leave", tooltip="Back to the demo"),
    ]

    def __init__(self, desk: Desk, planted: Planted) -> None:
        super().__init__()
        self.desk, self.planted = desk, planted
        self.answered = False

    def parts(self) -> ComposeResult:
        yield Paragraph(ASKED, "note", id="said")
        yield Faults(list(FAULTS.items()), id="faults")
        yield Scroll(lambda looks, width: residual_lines(self.planted.solved.stored, width))
        yield StationList(id="list")

    def on_mount(self) -> None:
        stations = rows(self.planted.session.stations, (), None)
        self.query_one(StationList).show(stations, self.desk.labels, 0)
        self._show_score()
        self.query_one(Faults).focus()

    def _show_score(self) -> None:
        right, of = self._score()
        self.headed("Find the fault", f"{right} of {of} found")

    def _score(self) -> tuple[int, int]:
        texts = self._settings.get("practice score").split()
        whole = len(texts) == 2 and all(text.isdecimal() for text in texts)
        return (int(texts[0]), int(texts[1])) if whole else (0, 0)

    @property
    def _settings(self) -> Kept:
        settings: Kept = self.app.settings  # type: ignore[attr-defined]
        return settings

    def action_other(self) -> None:
        faults = self.query_one(Faults)
        (self.query_one(Scroll) if faults.has_focus else faults).focus()

    def action_answer(self) -> None:
        """Take the chosen fault; one at a station needs its number."""
        item = self.query_one(Faults).item
        if item is None or self.answered:
            return
        code = item[0]
        if code in ("typed-value", "pairing"):
            ask = Ask("At which station?", "Its number:", check=_number)
            self.jobs.ask(ask, lambda text: self._judge(code, int(text)))
        else:
            self._judge(code, None)

    def _judge(self, code: str, station: int | None) -> None:
        self.answered = True
        good = self.planted.right(code, station)
        right, of = self._score()
        self._settings.put("practice score", f"{right + good} {of + 1}")
        self._settings.save()
        self._show_score()
        word = "Right. " if good else "No. "
        self.tell(word + self.planted.explained(), "good" if good else "warning")


def _number(text: str) -> str | None:
    return None if text.strip().isdecimal() else "Type the number of a station."
