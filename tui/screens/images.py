"""Images on the recording screen: they come by themselves and are searched in the background."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding
from textual.dom import DOMNode

from engine.errors import StationbookError

from ..desk.say import seen_fact, view_facts
from ..desk.views import Fact, Facts
from ..desk.watch import Watch, examined
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from engine.images.sources import NewImage

    from ..desk.desk import Desk
    from .entry_pad import EntryPad

LOOK_EVERY = 0.4  # s between looks into the camera's folder


class Images(DOMNode):
    """Takes the newest image of every camera's source for the station that is being entered."""

    IMAGE_KEYS: ClassVar[list[Binding]] = [
        Binding("f4", "image", "image", id="images.image",
                tooltip="Take the newest image again; confirm the source; name a file"),
        Binding("i", "file", "image file", show=False, id="images.file",
                tooltip="Name the image file of this station"),
    ]  # fmt: skip
    watches: tuple[Watch, ...] = ()  # one for each camera, the first one first

    if TYPE_CHECKING:
        desk: Desk

        @property
        def pad(self) -> EntryPad: ...

        def show_side(self) -> None: ...

    def begin_watching(self) -> None:
        """Start looking for images."""
        self.watches = tuple(Watch(self.desk, name) for name in self.desk.cameras)
        for watch in self.watches:
            self._begin(watch)

    def _begin(self, watch: Watch, *, confirm: bool = False) -> None:
        open_it = watch.confirm if confirm else watch.open
        begin_job(self, self._watch, watch, open_it, group=f"watch {watch.camera}")

    async def _watch(self, watch: Watch, open_it: Callable[[], None]) -> None:
        try:
            await in_background(open_it)
        except StationbookError as error:
            watch.trouble = str(error)
        self.show_side()
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
            self.show_side()
        if image is not None:
            await self._examine(image, watch)

    async def _examine(self, image: NewImage, watch: Watch) -> None:
        """Search the board in an image; storing waits until this is done."""
        camera, watch.unread = watch.camera, ""
        self.pad.searching[camera] = image.name
        self.show_side()
        try:
            view = await in_background(examined, self.desk, image, camera)
        except StationbookError as error:
            watch.unread = str(error)
        else:
            self.pad.take_view(view, None if camera == self.desk.cameras[0] else camera)
        finally:
            del self.pad.searching[camera]
            self.show_side()

    def image_facts(self) -> Facts:
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
            facts = view_facts(self.pad.entry.view, self._wanted(first))
        return facts._replace(facts=(*facts.facts, *map(self._further_fact, further)))

    def _further_fact(self, watch: Watch) -> Fact:
        """Say in one line what a further camera saw."""
        if watch.camera in self.pad.searching:
            return Fact(watch.camera, "being searched ...", "note")
        view = self.pad.entry.views.get(watch.camera)
        if view is None and watch.left_over:
            return Fact(watch.camera, f"{watch.left_over}: F4 takes it", "note")
        return seen_fact(watch.camera, view)

    def _wanted(self, watch: Watch) -> str:
        missing = f"The {watch.name} does not exist. " if watch.missing else ""
        said = watch.inactive
        unconfirmed = "" if said is None else f"{said.code}: {said.message} F4 confirms it."
        waiting = f"Waiting for a new image in {watch.name}."
        if watch.left_over:
            waiting = f"{watch.left_over} and is not taken by itself. F4 takes it all the same."
        return {
            "none": "This cell names no image source. F4 takes a file.",
            "unconfirmed": missing + unconfirmed,
            "folder": waiting,
            "live": f"F4 takes an image from {watch.name}.",
        }[watch.state]

    def action_image(self) -> None:
        """Do what brings images: confirm a source, take one anew, or name a file."""
        states = {watch.state for watch in self.watches}
        unconfirmed = [watch for watch in self.watches if watch.state == "unconfirmed"]
        if unconfirmed:
            self._ask_to_confirm(unconfirmed[0])
        elif states == {"none"}:
            self.action_file()
        for watch in self.watches:
            watch.again()
            if watch.state == "live":
                begin_job(self, self._take_newest, watch, group=f"take {watch.camera}")

    def _ask_to_confirm(self, watch: Watch) -> None:
        from .ask import Confirm

        def answered(yes: bool | None) -> None:
            if yes:
                self._begin(watch, confirm=True)

        missing = "There is no such folder yet. " if watch.missing else ""
        text = (
            f"The cell takes its images from: {watch.name}\n\n"
            f"{missing}Use it on this machine? Say no if you do not know where this session's "
            "folder comes from."
        )
        self.app.push_screen(Confirm("Image source", text), answered)

    def action_file(self) -> None:
        """Ask for an image file of each camera in turn."""
        if self.watches:
            self._ask_file(self.watches)

    def _ask_file(self, watches: tuple[Watch, ...]) -> None:
        from .ask import Ask, required

        def answered(name: str | None) -> None:
            if name and name.strip():
                path = Path(name.strip()).expanduser()
                begin_job(self, self._take_file, path, watch, group=f"take {watch.camera}")
            if further:
                self._ask_file(tuple(further))

        watch, *further = watches
        if len(self.watches) == 1:
            ask = Ask("Image of this station", "File:", check=required)
        else:
            ask = Ask(f"Image of {watch.camera} at this station", "File (none: it saw nothing):")
        self.app.push_screen(ask, answered)

    async def _take_file(self, path: Path, watch: Watch) -> None:
        from engine.images.load import image_bytes
        from engine.images.sources import NewImage

        try:
            data = await in_background(image_bytes, path)
        except StationbookError as error:
            watch.unread = str(error)
            self.show_side()
            return
        await self._examine(NewImage(data, path.name, ""), watch)
