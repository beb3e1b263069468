"""Proving a result by touch: the pointer, images of the board in the cell, the touched points.

Methods that touch the disk or the engine take time and belong in the background.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import NamedTuple

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.result import StoredResult
from engine.cell.rule import percent
from engine.cell.session import Session
from engine.cell.touched import Pointer
from engine.errors import StationbookError, UsageError
from engine.findings import Finding
from engine.images.sources import NewImage
from engine.proof.conclusion import Proof
from engine.proof.touch import Role, Touch, Touches, read_touches
from engine.proof.touch_errors import PointError
from engine.sessions.changes import Change
from engine.sessions.results import read_result
from engine.sessions.store import PROOF_FILE, write_bytes_new
from engine.steps import proving

from ..words import proof_said
from .desk import Desk
from .overview import Stamps, stamps
from .solution import lacks_number
from .views import Fact, Facts, FieldView

POINT = re.compile(r"\s*(\d+)\s*[:;]?(?:\s+(.*))?\s*")
TAKE_IT = {
    EYE_TO_HAND: "Lay the board in the cell where it will pick, robot out of view. F4 takes it.",
    EYE_IN_HAND: "Lay the board in the cell where parts lie and jog the camera over it. F4 takes "
    "it, and asks for the pose.",
}
OPEN_NUMBER = (
    "The stations leave a direction open. Touch one board point: it gives the missing number and "
    "proves nothing. Type its number and the pose."
)
NO_POINT = "type the number of the board point first, a whole number, then the pose"


class TouchRow(NamedTuple):
    """One touch in words: its number, state and role, the point, and how far it is off."""

    touch: int
    state: str
    role: str
    point: str
    figures: tuple[str, ...] = ()


class Touching:
    """Everything touched in one session, and what it proves about the stored result.

    ``trouble`` says why nothing is concluded although something was touched.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.found: Touches | None = None
        self.proof: Proof | None = None
        self.trouble = ""
        self.stored = True  # what is concluded stands in the result, or nothing is
        self.doubts: tuple[Finding, ...] = ()  # about the touch that is being typed
        self._result: StoredResult | None = None
        self._stamp: Stamps = ()

    # ---- what the touches say --------------------------------------------------------------

    def read(self) -> None:
        """Read what was touched and conclude from it. Raises FileError for a damaged file."""
        self._stamp = stamps(self.desk.folder, PROOF_FILE)
        self.found = read_touches(self.desk.folder)
        self.proof, self.trouble, self.stored = None, "", True
        if self.found.pointer is not None and self.found.touches:
            try:
                self._conclude()
            except StationbookError as error:
                self.trouble = str(error)

    def _conclude(self) -> None:
        desk = self.desk
        desk.keep_shown()
        self.proof, self._result = proving.prove(desk.opened(), desk.folder)
        kept, now = read_result(desk.folder).proof, self._result.proof
        self.stored = kept is not None and now is not None and kept.inputs == now.inputs

    def keep(self) -> None:
        """Store the result with what is concluded now. Raises StationbookError without it."""
        result = self._result
        if self.proof is None or result is None:
            raise StationbookError(self.trouble or "nothing was touched yet", self.next_step())
        folder = self.desk.folder
        self.desk.beside(lambda session: proving.proof_kept(session, folder, result))
        self.stored = True
        if self.desk.solution is not None:
            self.desk.solution = self.desk.solution.saying(result)

    def changed(self) -> bool:
        """Tell whether somebody touched, or took something back, since it was read."""
        return stamps(self.desk.folder, PROOF_FILE) != self._stamp

    # ---- recording -------------------------------------------------------------------------

    def set_pointer(self, tip: str, u: str) -> None:
        """Describe the pointer by its tip in the flange [mm] and its u on each axis [mm]."""
        u_mm = float(u.replace(",", "."))
        self._do(proving.pointer_set, tip, u_mm)

    def add_view(self, path: Path, looked: str | None) -> int:
        """Add an image (or points) of the board lying in the cell; returns its number."""
        folder, now = self.desk.folder, self.desk.clock()
        return self._do(
            lambda session, found: proving.view_added(session, folder, found, path, looked, now)
        )

    def add_image(self, image: NewImage, looked: str | None) -> int:
        """Add an image as the source delivered it; returns its number."""
        with TemporaryDirectory(prefix="stationbook-") as place:
            path = Path(place) / PurePath(image.name).name
            write_bytes_new(path, image.data)
            number = self.add_view(path, looked)
        self.desk.used_images.add(image.sha256)
        return number

    def add_touch(self, text: str) -> int:
        """Add the touch that was typed, point and pose in one line; returns its number."""
        number = self._do(self._touch, text)
        self.doubts = ()
        return number

    def doubt(self, text: str) -> bool:
        """Tell whether something speaks against the touch that was typed; ``doubts`` say what."""
        session = self.desk.opened()
        touch = self._touch(session, read_touches(self.desk.folder), text)
        self.doubts = proving.touch_judged(session, self.desk.folder, touch)
        return bool(self.doubts)

    def _touch(self, session: Session, found: Touches, text: str) -> proving.Recorded:
        point, pose = split(text)
        if point is None:
            raise UsageError(NO_POINT)
        desk = self.desk
        role: Role = "missing-number" if self._number_open(found) else "proof"
        return proving.touch_added(
            session, desk.folder, found, pose, point=point, role=role, who=desk.who
        )

    def _number_open(self, found: Touches) -> bool:
        """Tell whether the next touch gives the number that the stations leave open."""
        return self.open_number and not found.of_role("missing-number")

    @property
    def open_number(self) -> bool:
        """Whether the result still lacks what one touched point gives."""
        solution = self.desk.solution
        return solution is not None and lacks_number(solution.stored)

    def add_joints(self, touch: int, text: str) -> int:
        return self._do(proving.joints_typed, touch, text)

    @property
    def joints_wanted(self) -> bool:
        """Whether joints at a touch would show for the first time that tool and frame are right."""
        ready = self.found is not None and bool(self.found.views or self.found.touches)
        return self.desk.joints_help and ready and not self.desk.follow and not self._shown()

    def forget(self, touch: int) -> None:
        self._do(proving.touch_forgotten, touch)

    def _do(self, step: Callable[..., proving.Recorded], *args: object) -> int:
        """Record ``step(session, found, *args)``, conclude anew, and return its number."""
        recorded: list[int] = []

        def record(session: Session) -> Change:
            done = step(session, read_touches(self.desk.folder), *args)
            recorded.append(done.which)
            return done.change

        self.desk.beside(record)
        self.desk.advice = None  # the robot stands elsewhere now
        self.read()
        return recorded[0]

    # ---- in words --------------------------------------------------------------------------

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What speaks against the touch being typed, else what the touches say or is missing."""
        return self.doubts or (self.proof.findings if self.proof is not None else ())

    @property
    def begins(self) -> bool:
        """Tell that nothing was touched yet."""
        return self.found is None or not self.found.touches

    def next_step(self) -> str:
        found = self.found
        if found is None:
            return "Reading ..."
        if self.desk.follow:
            return "Followed from here; points are touched where the session is recorded."
        if found.pointer is None:
            return "F3 describes the pointer: its tip in the flange, and how well it is known."
        if not found.views:
            return TAKE_IT[self.desk.opened().cell.mount]
        if self._number_open(found):
            return OPEN_NUMBER
        if self.open_number:
            return "The missing number is touched: Esc, q, then s solves with it. Then prove it."
        if found.touches and self.desk.joints_help and not self._shown():
            return "F7: the joints at a touch show whether tool and frame are as told."
        return "Tip on a board point: type its number and the pose, in one line. Enter stores it."

    def _shown(self) -> bool:
        solution = self.desk.solution
        result = self._result or (solution.solved.stored if solution else None)
        frames = result.frames if result else None
        return frames is not None and bool(frames.shown)

    def facts(self) -> Facts:
        """Say what is concluded, which pointer it was, and what can be touched."""
        found, board = self.found, self.desk.opened().cell.board
        row = f", {board.columns} in a row" if board.count == board.columns * board.rows else ""
        views = len(found.views) if found else 0
        images = "1 image" if views == 1 else f"{views} images"
        points = f"{images}; points 0 to {board.count - 1}{row}"
        pointer = found.pointer if found else None
        tip = "not described" if pointer is None else tip_text(pointer)
        known = "" if pointer is None else f" mm in the flange, u {pointer.u_mm:.2g} mm"
        role = "warning" if pointer is None else "text"
        facts = (Fact("pointer", tip + known, role), Fact("board", points))
        return Facts(self.conclusion(), (*self._decided(), *facts))

    def _decided(self) -> list[Fact]:
        """Say by which rule the tolerance was judged, who set it, and how likely that is wrong.

        The tolerance itself stands in the verdict above.
        """
        if self.proof is None or not self.proof.errors:
            return []
        decision = self.proof.decision
        chance = decision.chance_wrong
        wrong = "findings decided" if chance is None else f"wrong: {percent(chance)}"
        if chance is not None and chance > 0.5:  # in full beside the command's answer
            wrong += ", the price of letting nothing bad pass: a better pointer tells"
        said = f"{decision.rule}, {decision.owner}; {wrong}"
        return [Fact("rule", said)]

    def conclusion(self) -> str:
        kept = "" if self.stored else "; F6 stores"
        return proof_said(self.proof) + kept

    def rows(self) -> list[TouchRow]:
        errors = {item.touch: item for item in self.proof.errors} if self.proof else {}
        touches = self.found.touches if self.found else ()
        return [_row(touch, errors.get(touch.id)) for touch in touches]

    def fields(self, text: str) -> list[FieldView]:
        """Return point and pose of a line that is being typed."""
        point, pose = split(text)
        problem = NO_POINT if point is None and text.strip() else None
        first = FieldView("point", "" if point is None else str(point), problem)
        count = self.desk.opened().cell.board.count
        if point is not None and point >= count:
            first = first._replace(problem=f"the board's points are 0 to {count - 1}")
        return [first, *self.desk.fields(pose)]


def tip_text(pointer: Pointer) -> str:
    """Return the tip as it is typed [mm]; one found by touching has no more digits that count."""
    return " ".join(f"{round(x, 2):g}" for x in pointer.tip_mm)


def split(text: str) -> tuple[int | None, str]:
    """Return the point and the pose of "87 612.40 -85.10 ..."; None without a whole number."""
    found = POINT.fullmatch(text)
    if found is None:
        return None, ""
    return int(found[1]), found[2] or ""


def _row(touch: Touch, error: PointError | None) -> TouchRow:
    point = f"image {touch.view}, {touch.point}" if touch.point is not None else "a mark"
    if not touch.use:
        return TouchRow(touch.id, "left out", "dim", point)
    if error is None:
        state = "touched" if touch.role == "proof" else "number"
        return TouchRow(touch.id, state, "note", point)
    state, role = ("ok", "good") if error.agrees else ("OFF", "error")
    figures = [f"{value:+.2f}" for value in error.error]
    sizes = [f"{error.size_mm:.2f}", f"{error.expanded_mm:.2f}"]
    return TouchRow(touch.id, state, role, point, (*figures, *sizes))
