"""Images: they come by themselves and are searched in the background; and pictures of a session.

The recording screen takes the newest image of every camera for the station that is being entered;
the proof takes those of the board lying in the cell on a key.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from engine.errors import StationbookError
from engine.images.load import image_bytes
from engine.images.sources import NewImage
from engine.steps.pictures import outline

from ..desk.desk import Desk
from ..desk.entry import Entry
from ..desk.images import (
    Watch,
    cell_scene,
    covered,
    depth_lines,
    examined,
    painted_view,
    picture,
    wanted,
)
from ..desk.say import DEPTH_LEGEND, seen_fact, view_facts
from ..desk.views import Fact, Facts
from ..widgets.graphics import Graphic, GraphicSheet, Pictures, drawn
from ..widgets.looks import Line, Looks
from ..widgets.panels import KeyLine
from ..widgets.pictures import (
    COVERAGE_LEGEND,
    SCENE_LEGEND,
    WANTED_LEGEND,
    coverage_lines,
    image_lines,
    legend_lines,
    scene_lines,
)
from ..widgets.sheet import Panel, Scroll, written
from ..words import flow
from .entry_pad import EntryPad
from .jobs import Ask, Confirm, Jobs, Working, in_background, pause, required

LOOK_EVERY = 0.4  # s between looks into the camera's folder


def confirmation(watch: Watch, whence: str) -> Confirm:
    """Return the question whether the source of a cell may be used on this machine."""
    text = (
        f"The cell takes its images from: {watch.name}\n\n"
        f"Use it on this machine? Say no if you do not know where {whence} comes from. "
        "It is looked for only after a yes."
    )
    return Confirm("Image source", text)


class StationImages:
    """Takes the newest image of every camera's source for the station that is being entered."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("f4", "image", "image", id="images.image",
                tooltip="Take the newest image again; confirm the source; name a file"),
        Binding("i", "file", "image file", show=False, id="images.file",
                tooltip="Name the image file of this station"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, jobs: Jobs, pad: EntryPad, show: Callable[[], None]) -> None:
        """``show`` shows `facts` again."""
        self.desk, self.jobs, self.pad, self.show = desk, jobs, pad, show
        self.watches: tuple[Watch, ...] = ()  # one for each camera, the first one first

    def watch(self) -> None:
        self.watches = tuple(Watch(self.desk, name) for name in self.desk.cameras)
        for watch in self.watches:
            self.jobs.begin(self._watch, watch, watch.open, group=f"watch {watch.camera}")

    async def _watch(self, watch: Watch, begin: Callable[[], None]) -> None:
        """Begin with a source, and take what it brings."""
        try:
            await in_background(begin)
        except StationbookError as error:
            watch.trouble = str(error)
        self.show()
        while watch.state == "folder":
            if not self.desk.proving:
                await self._take_newest(watch)
            await pause(LOOK_EVERY)

    async def _take_newest(self, watch: Watch) -> None:
        before = watch.trouble, watch.left_over, watch.repeated
        image = None
        try:
            image = await in_background(watch.newest)
            watch.trouble = ""
        except StationbookError as error:
            watch.trouble = str(error)
        if (watch.trouble, watch.left_over, watch.repeated) != before:
            self.show()
        if image is not None:
            await self._examine(image, watch)

    async def _examine(self, image: NewImage, watch: Watch) -> None:
        """Search the board in an image; storing waits until this is done."""
        camera, watch.unread = watch.camera, ""
        self.pad.searching[camera] = image.name
        self.show()
        try:
            view = await in_background(examined, self.desk, image, camera)
        except StationbookError as error:
            watch.unread = str(error)
        else:
            self.pad.take_view(view, camera)
        finally:
            del self.pad.searching[camera]
            self.show()

    # ---- showing ---------------------------------------------------------------------------

    def facts(self) -> Facts:
        """Say what the cameras saw, or why there is nothing yet."""
        troubles = [watch.trouble or watch.unread for watch in self.watches]
        if trouble := next(filter(None, troubles), ""):
            kept = self.pad.entry.view  # what Enter would store, whatever came after it
            name = "No image" if kept is None else f"Still {kept.name or 'the image before'}"
            return Facts(name, (Fact("", trouble, "error"),))
        if not self.watches:
            return view_facts(None, "")
        first, *further = self.watches
        searching = self.pad.searching.get(first.camera)
        if searching:
            facts = Facts(searching, (Fact("", "The board is being searched ...", "note"),))
        else:
            facts = view_facts(self.pad.entry.view, _wanted(first))
        return facts._replace(facts=(*facts.facts, *map(self._further_fact, further)))

    def _further_fact(self, watch: Watch) -> Fact:
        if watch.camera in self.pad.searching:
            return Fact(watch.camera, "being searched ...", "note")
        view = self.pad.entry.views.get(watch.camera)
        if view is None and watch.left_over:
            return Fact(watch.camera, f"{watch.left_over}: F4 takes it", "note")
        return seen_fact(watch.camera, view)

    # ---- keys ------------------------------------------------------------------------------

    def take(self) -> None:
        """Do what brings images: confirm a source, take one anew, or name a file."""
        unconfirmed = [watch for watch in self.watches if watch.state == "unconfirmed"]
        if unconfirmed:
            watch = unconfirmed[0]
            group = f"watch {watch.camera}"
            self.jobs.ask(
                confirmation(watch, "this session's folder"),
                lambda _: self.jobs.begin(self._watch, watch, watch.confirm, group=group),
            )
        elif all(watch.state == "none" for watch in self.watches):
            self.ask_files()
        for watch in self.watches:
            self.jobs.begin(self._take_again, watch, group=f"take {watch.camera}")

    async def _take_again(self, watch: Watch) -> None:
        """Let the newest image come once more; only a folder brings it by itself."""
        await in_background(watch.again)
        if watch.state == "live":
            await self._take_newest(watch)

    def ask_files(self) -> None:
        if self.watches:
            self._ask_file(self.watches)

    def _ask_file(self, watches: tuple[Watch, ...]) -> None:
        watch, *further = watches

        def answered(name: str | None) -> None:
            if name and name.strip():
                path = Path(name.strip()).expanduser()
                self.jobs.begin(self._take_file, path, watch, group=f"take {watch.camera}")
            if further:
                self._ask_file(tuple(further))

        if len(self.watches) == 1:
            ask = Ask("Image of this station", "File:", check=required)
        else:
            ask = Ask(f"Image of {watch.camera} at this station", "File (none: it saw nothing):")
        self.jobs.node.app.push_screen(ask, answered)

    async def _take_file(self, path: Path, watch: Watch) -> None:
        try:
            data = await in_background(image_bytes, path)
        except StationbookError as error:
            watch.unread = str(error)
            self.show()
            return
        await self._examine(NewImage(data, path.name, ""), watch)


def _wanted(watch: Watch) -> str:
    again = f"{watch.repeated}. " if watch.repeated else ""
    waiting = f"{again}Waiting for a new image in {watch.name}."
    if watch.left_over:
        waiting = f"{watch.left_over} and is not taken by itself. F4 takes it all the same."
    said = watch.inactive
    unconfirmed = "" if said is None else f"{said.code}: {said.message} F4 confirms it."
    return {
        "none": "This cell names no image source. F4 takes a file.",
        "unconfirmed": unconfirmed,
        "folder": waiting,
        "live": f"{again}F4 takes an image from {watch.name}.",
    }[watch.state]


def graphic_of(
    desk: Desk,
    entry: Entry,
    station: int | None,
    pictures: Pictures,
    size: tuple[int, int],
    before: Graphic | None,
) -> tuple[Graphic | None, str]:
    """Return the image of a station, or of the entry, as the terminal draws it, and its name.

    ``size`` in cells; ``before`` is returned again if that is the same. None and "" where there is
    no image, or the terminal draws none.
    """
    protocol, cell = pictures.drawing, pictures.cell_px
    if protocol is None:
        return None, ""
    pixels = size[0] * cell[0], max(size[1] - GraphicSheet.TOP, 1) * cell[1]
    try:
        name, key, paint = painted_view(desk, entry, station, pixels)
    except StationbookError:
        return None, ""
    same = before is not None and before.key == key
    return before if same else drawn(protocol, paint(), cell, key), name


Page = Literal["image", "coverage", "sides", "depth"]


class ImagePanel(Panel[str], GraphicSheet):
    """An image as the terminal draws it, below its name."""

    DEFAULT_CSS = "ImagePanel { height: 1fr; display: none; }"
    data = ""

    def draw(self, width: int, height: int) -> Sequence[Line]:
        return [[(self.data, "title")]]


class Look(Working[None]):
    """One of four pictures, as large as the screen allows. An image is sent once."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "page('image')", "image", id="look.image", tooltip="Image, points found"),
        Binding("2", "page('coverage')", "coverage", id="look.coverage", tooltip="Board in view"),
        Binding("3", "page('sides')", "top and side", id="look.sides", tooltip="Stations"),
        Binding("4", "page('depth')", "depth", id="look.depth", tooltip="Depth on the board"),
        Binding("escape,q,f3", "dismiss", "back", id="look.leave", tooltip="Back to the stations"),
    ]

    def __init__(self, desk: Desk, entry: Entry, station: int | None, page: Page = "image") -> None:
        """Show the image of ``station``, or of the ``entry`` where it is None."""
        super().__init__()
        self.desk, self.entry, self.station, self.page = desk, entry, station, page

    def compose(self) -> ComposeResult:
        yield ImagePanel()
        yield Scroll(written("Reading ..."), id="picture")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(Scroll).focus()
        self.app.ask_terminal()  # type: ignore[attr-defined]

    def on_resize(self) -> None:
        self.call_after_refresh(self.show_pictures)

    def show_pictures(self) -> None:
        self.action_page(self.page)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the depth where the camera measures it."""
        return parameters != ("depth",) or self.desk.opened().cell.camera.depth is not None

    def action_page(self, page: Page) -> None:
        self.page = page
        self.jobs.begin(self._show, group="picture")

    async def _show(self) -> None:
        scroll, panel = self.query_one(Scroll), self.query_one(ImagePanel)
        pictures: Pictures = self.app.pictures  # type: ignore[attr-defined]
        size = self.size.width, max(self.size.height - 1, 1)  # the scroll's, even while hidden
        graphic, name = None, ""
        if self.page == "image":
            here = self.desk, self.entry, self.station
            graphic, name = await in_background(graphic_of, *here, pictures, size, panel.graphic)
        panel.display, scroll.display = graphic is not None, graphic is None
        if graphic is not None:
            panel.show(name)
            panel.show_graphic(graphic)
            return
        lines = await in_background(getattr(self, f"_{self.page}"), *size)
        scroll.show(lambda looks, width: lines)

    def tell(self, text: str, role: str) -> None:
        self.query_one(Scroll).show(written(text))

    @property
    def looks(self) -> Looks:
        looks: Looks = self.app.looks  # type: ignore[attr-defined]
        return looks

    def _image(self, width: int, height: int, head: int = 1) -> list[Line]:
        """Return the image below its name and legend, which take ``head`` lines or more."""
        corners = wanted(self.desk) if self.station is None else None
        size = width, 2 * (height - head)
        small, name = picture(self.desk, self.entry, self.station, *size, corners)
        legend = f"; {WANTED_LEGEND}" if small.wanted.any() else ""
        above = flow([(name, "title"), (legend, "dim")], self.looks.wrap, width)
        if head < len(above) < height:
            return self._image(width, height, len(above))
        pictures: Pictures = self.app.pictures  # type: ignore[attr-defined]
        return [*above, *image_lines(small, self.looks, lean=pictures.lean)]

    def _coverage(self, width: int, height: int) -> list[Line]:
        legend = legend_lines(f"{COVERAGE_LEGEND}; {WANTED_LEGEND}", self.looks, width)
        counts = covered(self.desk, self.entry, width, max(height - len(legend), 1))
        size_px = self.desk.opened().cell.camera.image_size_px
        lines = coverage_lines(counts, outline(wanted(self.desk), size_px, counts.shape[::-1]))
        return [*legend, *lines]

    def _depth(self, width: int, height: int) -> list[Line]:
        legend = legend_lines(DEPTH_LEGEND, self.looks, width)
        room = max(height - len(legend), 1)
        rows = depth_lines(self.desk, self.entry, self.station, width, room)
        return [*legend, *([(row, "note")] for row in rows)]

    def _sides(self, width: int, height: int) -> list[Line]:
        legend = legend_lines(SCENE_LEGEND, self.looks, width)
        found, room = cell_scene(self.desk), height - len(legend)
        half = room // 2
        above = scene_lines(found, (0, 1), "From above, X right, Y up", width, half)
        side = scene_lines(found, (0, 2), "From the side, X right, Z up", width, room - half)
        return [*above, *side, *legend]
