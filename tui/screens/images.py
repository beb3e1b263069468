"""Images: they come by themselves and are searched in the background.

The recording screen takes the newest image of every camera for the station that is being entered;
the proof takes those of the board lying in the cell on a key.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType

from engine.errors import StationbookError
from engine.images.load import image_bytes
from engine.images.sources import NewImage

from ..desk.desk import Desk
from ..desk.say import seen_fact, view_facts
from ..desk.views import Fact, Facts
from ..desk.watch import Watch, examined
from .ask import Ask, Confirm, required
from .entry_pad import EntryPad
from .jobs import Jobs, in_background

LOOK_EVERY = 0.4  # s between looks into the camera's folder


def confirmation(watch: Watch, whence: str) -> Confirm:
    """Return the question whether the source of a cell may be used on this machine."""
    missing = "There is no such folder yet. " if watch.missing else ""
    text = (
        f"The cell takes its images from: {watch.name}\n\n"
        f"{missing}Use it on this machine? Say no if you do not know where {whence} comes from."
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
        """Start looking for images."""
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
            await asyncio.sleep(LOOK_EVERY)

    async def _take_newest(self, watch: Watch) -> None:
        before = watch.trouble, watch.left_over
        image = None
        try:
            image = await in_background(watch.newest)
            watch.trouble = ""
        except StationbookError as error:
            watch.trouble = str(error)
        if (watch.trouble, watch.left_over) != before:
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
            self.pad.take_view(view, None if camera == self.desk.cameras[0] else camera)
        finally:
            del self.pad.searching[camera]
            self.show()

    # ---- showing ---------------------------------------------------------------------------

    def facts(self) -> Facts:
        """Say what the cameras saw, or why there is nothing yet."""
        troubles = [watch.trouble or watch.unread for watch in self.watches]
        if trouble := next(filter(None, troubles), ""):
            return Facts("No image", (Fact("", trouble, "error"),))
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
        """Say in one line what a further camera saw."""
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
        """Ask for an image file of each camera in turn."""
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
    """Say what would bring the first image."""
    missing = f"The {watch.name} does not exist. " if watch.missing else ""
    waiting = f"Waiting for a new image in {watch.name}."
    if watch.left_over:
        waiting = f"{watch.left_over} and is not taken by itself. F4 takes it all the same."
    said = watch.inactive
    unconfirmed = "" if said is None else f"{said.code}: {said.message} F4 confirms it."
    return {
        "none": "This cell names no image source. F4 takes a file.",
        "unconfirmed": missing + unconfirmed,
        "folder": waiting,
        "live": f"F4 takes an image from {watch.name}.",
    }[watch.state]
