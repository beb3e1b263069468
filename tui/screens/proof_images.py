"""Images of the board lying in the cell: from the cell's source, or from a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType

from engine.images.sources import NewImage

from ..desk.desk import Desk
from ..desk.proof import Touching
from ..desk.watch import Watch
from .ask import Ask, required
from .images import confirmation
from .jobs import Jobs, in_background


class BoardImages:
    """Takes an image for the proof, on a key; the station that is being entered gets none."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("f4", "view", "image", id="proof.view",
                tooltip="Take the newest image of the board lying in the cell"),
        Binding("i", "file", "image file", show=False, id="proof.file",
                tooltip="Name an image (or points) file of the board lying in the cell"),
    ]  # fmt: skip

    def __init__(
        self, desk: Desk, touching: Touching, jobs: Jobs, act: Callable[..., None]
    ) -> None:
        """``act`` says a text (with a place for the answer) after work on the touches."""
        self.desk, self.touching, self.jobs, self.act = desk, touching, jobs, act
        self.source = Watch(desk, desk.cameras[0])

    def take(self) -> None:
        """Take the newest image of the source, confirm the source, or ask for a file."""
        state = self.source.state
        if state == "none":
            if self.source.trouble:
                self.jobs.tell(self.source.trouble, "error")
            self.ask_file()
        elif state == "unconfirmed":
            question = confirmation(self.source, "this folder")
            self.jobs.ask(question, lambda _: self.jobs.begin(self._confirmed, group="image"))
        else:
            self.jobs.begin(self._take_newest, group="image")

    async def _confirmed(self) -> None:
        await in_background(self.source.confirm)
        if self.source.trouble:
            self.jobs.tell(self.source.trouble, "error")
        else:
            self.take()

    async def _take_newest(self) -> None:
        self.jobs.tell("The board is being searched ...", "note")
        await in_background(self.source.again)
        image = await in_background(self.source.newest)
        if image is None:
            self.jobs.tell(f"No new image in {self.source.name}: take one, then F4.", "warning")
        else:
            self._with_pose(image.name, self.touching.add_image, image)

    def ask_file(self) -> None:
        """Ask for a file with the image, or with points."""

        def answered(name: str) -> None:
            path = Path(name.strip()).expanduser()
            self._with_pose(path.name, self.touching.add_view, path)

        text = "Image, or points as CSV, of the board lying in the cell:"
        self.jobs.ask(Ask("Board in the cell", text, check=required), answered)

    def _with_pose(self, name: str, add: Callable[..., object], image: NewImage | Path) -> None:
        """Add an image; a camera on the flange also needs the pose at which it looked."""

        def looked_from(pose: str | None) -> None:
            self.act("Image {} of the board is stored.", add, image, pose)

        if self.desk.opened().cell.mount == "eye-to-hand":
            looked_from(None)
        else:
            text = f"Pose of the flange when {name} was taken, as the pendant shows it:"
            self.jobs.ask(Ask("Where the camera looked from", text, check=required), looked_from)
