"""Images of the board lying in the cell: from the cell's source, or from a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding
from textual.dom import DOMNode

from engine.errors import StationbookError

from .ask import Ask, Confirm, required
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from engine.images.sources import NewImage

    from ..desk.desk import Desk
    from ..desk.proof import Touching
    from ..desk.watch import Watch


class BoardImages(DOMNode):
    """Takes an image for the proof, on a key; the station that is being entered gets none."""

    IMAGE_KEYS: ClassVar[list[Binding]] = [
        Binding("f4", "view", "image", id="proof.view",
                tooltip="Take the newest image of the board lying in the cell"),
        Binding("i", "file", "image file", show=False, id="proof.file",
                tooltip="Name an image (or points) file of the board lying in the cell"),
    ]  # fmt: skip

    if TYPE_CHECKING:
        desk: Desk
        touching: Touching
        source: Watch

        def tell(self, text: str, role: str) -> None: ...

        def act(self, said: str, work: Callable[..., object], *args: object) -> None: ...

    def action_view(self) -> None:
        """Take the newest image of the source, confirm the source, or ask for a file."""
        state = self.source.state
        if state == "none":
            if self.source.trouble:
                self.tell(self.source.trouble, "error")
            self.action_file()
        elif state == "unconfirmed":
            self._ask_to_confirm()
        else:
            begin_job(self, self._take_newest, group="image")

    async def _take_newest(self) -> None:
        self.tell("The board is being searched ...", "note")
        try:
            self.source.again()
            image = await in_background(self.source.newest)
        except StationbookError as error:
            self.tell(str(error), "error")
            return
        if image is None:
            self.tell(f"No new image in {self.source.name}: take one, then F4.", "warning")
        else:
            self._with_pose(image.name, self.touching.add_image, image)

    def _ask_to_confirm(self) -> None:
        def answered(yes: bool | None) -> None:
            if yes:
                begin_job(self, self._confirm, group="image")

        text = (
            f"The cell takes its images from: {self.source.name}\n\n"
            "Use it on this machine? Say no if you do not know where this folder comes from."
        )
        self.app.push_screen(Confirm("Image source", text), answered)

    async def _confirm(self) -> None:
        try:
            await in_background(self.source.confirm)
        except StationbookError as error:
            self.tell(str(error), "error")
            return
        if self.source.state == "unconfirmed":
            self.tell(self.source.trouble, "error")
        else:
            self.action_view()

    def action_file(self) -> None:
        """Ask for a file with the image, or with points."""

        def answered(name: str | None) -> None:
            if name:
                path = Path(name.strip()).expanduser()
                self._with_pose(path.name, self.touching.add_view, path)

        text = "Image, or points as CSV, of the board lying in the cell:"
        self.app.push_screen(Ask("Board in the cell", text, check=required), answered)

    def _with_pose(self, name: str, add: Callable[..., object], image: NewImage | Path) -> None:
        """Add an image; a camera on the flange also needs the pose at which it looked."""

        def answered(looked: str | None) -> None:
            if looked is not None:
                self.act("Image {} of the board is stored.", add, image, looked)

        if self.desk.opened().cell.mount == "eye-to-hand":
            self.act("Image {} of the board is stored.", add, image, None)
        else:
            text = f"Pose of the flange when {name} was taken, as the pendant shows it:"
            self.app.push_screen(
                Ask("Where the camera looked from", text, check=required), answered
            )
