"""The image with the points found, where the board has been, the stations from two sides."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from ..desk.desk import Desk
from ..desk.entry import Entry
from ..desk.looking import covered, picture, where
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line, Looks
from ..widgets.pictures import COVERAGE_LEGEND, coverage_lines, image_lines, view_lines
from ..widgets.sheet import Scroll
from .jobs import Jobs, in_background

Page = Literal["image", "coverage", "sides"]


class Look(Screen[None]):
    """One of three pictures, as large as the screen allows. An image is sent once."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "page('image')", "image", id="look.image", tooltip="Image, points found"),
        Binding("2", "page('coverage')", "coverage", id="look.coverage", tooltip="Board in view"),
        Binding("3", "page('sides')", "top and side", id="look.sides", tooltip="Stations"),
        Binding("escape,q,f3", "leave", "back", id="look.leave", tooltip="Back to the stations"),
    ]

    def __init__(self, desk: Desk, entry: Entry, station: int | None, page: Page = "image") -> None:
        """Show the image of ``station``, or of the ``entry`` where it is None."""
        super().__init__()
        self.desk, self.entry, self.station, self.page = desk, entry, station, page
        self.jobs = Jobs(self, self.tell)

    def compose(self) -> ComposeResult:
        yield Scroll(_words("Reading ..."), id="picture")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(Scroll).focus()

    def on_resize(self) -> None:
        """Make the picture again for the new size."""
        self.call_after_refresh(self.action_page, self.page)

    def action_page(self, page: Page) -> None:
        """Show another picture."""
        self.page = page
        self.jobs.begin(self._show, group="picture")

    async def _show(self) -> None:
        scroll = self.query_one(Scroll)
        make: Callable[[int, int], list[Line]] = {
            "image": self._image,
            "coverage": self._coverage,
            "sides": self._sides,
        }[self.page]
        lines = await in_background(make, *scroll.size)
        scroll.show(lambda looks, width: lines)

    def tell(self, text: str, role: str) -> None:
        self.query_one(Scroll).show(_words(text))

    def _image(self, width: int, height: int) -> list[Line]:
        looks: Looks = self.app.looks  # type: ignore[attr-defined]
        small, name = picture(self.desk, self.entry, self.station, width, 2 * (height - 1))
        return [[(name, "title")], *image_lines(small, looks)]

    def _coverage(self, width: int, height: int) -> list[Line]:
        counts = covered(self.desk, self.entry, width, height - 1)
        return [[(COVERAGE_LEGEND, "dim")], *coverage_lines(counts)]

    def _sides(self, width: int, height: int) -> list[Line]:
        places = where(self.desk)
        top = view_lines(places, (0, 1), "From above, X right, Y up", width, height // 2)
        side = view_lines(
            places, (0, 2), "From the side, X right, Z up", width, height - height // 2
        )
        return top + side

    def action_leave(self) -> None:
        self.dismiss(None)


def _words(text: str) -> Callable[[Looks, int], list[Line]]:
    return lambda looks, width: [[(line, "text")] for line in looks.wrap(text, width)]
