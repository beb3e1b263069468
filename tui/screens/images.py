"""Images on the recording screen: they come by themselves and are searched in the background."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding
from textual.dom import DOMNode

from engine.errors import StationbookError

from ..desk.say import view_facts
from ..desk.views import Fact, Facts
from ..desk.watch import Watch
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from engine.images.sources import NewImage

    from ..desk.desk import Desk
    from .entry_pad import EntryPad

LOOK_EVERY = 0.4  # s between looks into the camera's folder


class Images(DOMNode):
    """Takes the newest image of the cell's source for the station that is being entered."""

    IMAGE_KEYS: ClassVar[list[Binding]] = [
        Binding("f4", "image", "image", id="images.image",
                tooltip="Take the newest image again; confirm the source; name a file"),
        Binding("i", "file", "image file", show=False, id="images.file",
                tooltip="Name the image file of this station"),
    ]  # fmt: skip
    watch_source: Watch
    _said = ""  # what the source complains about, or ""

    if TYPE_CHECKING:
        desk: Desk

        @property
        def pad(self) -> EntryPad: ...

        def show_side(self) -> None: ...

    def begin_watching(self) -> None:
        """Start looking for images."""
        self.watch_source = Watch(self.desk)
        begin_job(self, self._watch, group="watch")

    async def _watch(self) -> None:
        try:
            await in_background(self.watch_source.open)
        except StationbookError as error:
            self._said = str(error)
        self.show_side()
        while self.watch_source.state == "folder":
            await self._take_newest()
            await asyncio.sleep(LOOK_EVERY)

    async def _take_newest(self) -> None:
        try:
            image = await in_background(self.watch_source.newest)
        except StationbookError as error:
            said, image = str(error), None
        else:
            said = ""
        if said != self._said:
            self._said = said
            self.show_side()
        if image is not None:
            await self._examine(image)

    async def _examine(self, image: NewImage) -> None:
        """Search the board in an image; storing waits until this is done."""
        self.pad.searching = image.name
        self.show_side()
        try:
            view = await in_background(self.desk.examine_image, image.data, image.name)
        except StationbookError as error:
            self._said = str(error)
        else:
            self._said = ""
            self.pad.take_view(view)
        finally:
            self.pad.searching = ""
            self.show_side()

    def image_facts(self) -> Facts:
        """Say what the camera saw, or why there is nothing yet."""
        if self.pad.searching:
            return Facts(self.pad.searching, (Fact("", "The board is being searched ...", "note"),))
        if self._said:
            return Facts("No image", (Fact("", self._said, "error"),))
        return view_facts(self.pad.entry.view, self._wanted())

    def _wanted(self) -> str:
        watch = getattr(self, "watch_source", None)
        if watch is None:
            return ""
        return {
            "none": "This cell names no image source. F4 takes a file.",
            "unconfirmed": f"The source {watch.name} came with this folder and is not used until "
            "F4 confirms it on this machine.",
            "folder": f"Waiting for a new image in {watch.name}.",
            "live": f"F4 takes an image from {watch.name}.",
        }[watch.state]

    def action_image(self) -> None:
        """Do what brings an image: confirm the source, take one, or name a file."""
        state = self.watch_source.state
        if state == "unconfirmed":
            self._ask_to_confirm()
        elif state == "none":
            self.action_file()
        else:
            self.watch_source.again()
            if state == "live":
                begin_job(self, self._take_newest, group="take")

    def _ask_to_confirm(self) -> None:
        from .ask import Confirm

        def answered(yes: bool | None) -> None:
            if yes:
                self.watch_source.confirm()
                begin_job(self, self._watch, group="watch")

        text = (
            f"The cell takes its images from: {self.watch_source.name}\n\n"
            "Use it on this machine? Say no if you do not know where this folder comes from."
        )
        self.app.push_screen(Confirm("Image source", text), answered)

    def action_file(self) -> None:
        """Ask for an image file."""
        from .ask import Ask, required

        def answered(name: str | None) -> None:
            if name:
                path = Path(name.strip()).expanduser()
                begin_job(self, self._take_file, path, group="take")

        self.app.push_screen(Ask("Image of this station", "File:", check=required), answered)

    async def _take_file(self, path: Path) -> None:
        from engine.images.load import image_bytes
        from engine.images.sources import NewImage

        try:
            data = await in_background(image_bytes, path)
        except StationbookError as error:
            self._said = str(error)
            self.show_side()
            return
        await self._examine(NewImage(data, path.name, ""))
