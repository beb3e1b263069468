"""What is noted beside the stations: for whom and how, photographs, frames through three points."""

from __future__ import annotations

from pathlib import Path

from engine.cell.mount import EYE_IN_HAND
from engine.cell.session import About
from engine.errors import UsageError
from engine.report.exports import FORMATS
from engine.sessions.store import encoded, write_output
from engine.steps.editing import described
from engine.steps.pointing import frame_found
from engine.steps.station_image import photo_kept

from ..result_text import frame_lines
from .desk import Desk
from .form import Question, as_number, choice, needed, number_or_empty

BETWEEN = " | "  # instruments in one line
TOUCHED, SEEN = "touched", "seen"
FORM_NAMES = tuple(name for name in FORMATS if name != "plane")
INSTRUMENT = "Each as name; serial number; due day (2027-03-01); several with | between."
POINT = "As the pendant shows the pose with the pointer there, or x y z in the camera."


def about_questions(desk: Desk) -> list[Question]:
    """Return the lines of the form: for whom, where, and how this session was made."""
    now = desk.opened().about or About()
    instruments = BETWEEN.join(
        "; ".join(part for part in (i.name, i.serial, i.due) if part) for i in now.instruments
    )
    return [
        Question("customer", "Customer", now.customer or "", hint="As the report names it."),
        Question("place", "Place", now.place or "", hint="Hall, line, cell."),
        Question("temperature", "Temperature, °C", _shown(now.temperature_degc), number_or_empty,
                 "At the robot, while recording: rechecks tell its effect from a drift by it."),
        Question("warm", "Robot ran before, min", _shown(now.warm_up_min), number_or_empty,
                 "How long the robot had been moving."),
        Question("instruments", "Instruments", instruments, hint=INSTRUMENT),
    ]  # fmt: skip


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def note_about(desk: Desk, texts: dict[str, str]) -> list[str]:
    """Keep what the form says; empty lines stay as they were."""
    listed = [part.strip() for part in texts["instruments"].split("|") if part.strip()]
    change = described(
        desk.opened(),
        customer=texts["customer"] or None,
        place=texts["place"] or None,
        temperature_degc=as_number(texts["temperature"]) if texts["temperature"] else None,
        warm_up_min=as_number(texts["warm"]) if texts["warm"] else None,
        instruments=listed or None,
    )
    if change is None:
        raise UsageError("nothing is filled in", "Fill in what is known, or Esc.")
    desk.do("what the report says of the session", lambda _: change)
    return ["Kept; the report says it. F7 among the stations takes it back."]


def keep_photo(desk: Desk, station: int, file: str) -> None:
    path = Path(file.strip()).expanduser()
    desk.do(f"photograph of {station}", photo_kept, desk.folder, station, path)


def frame_questions(desk: Desk) -> list[Question]:
    """Return the lines of the form: a conveyor or pallet frame through three points."""
    points = [
        Question(f"p{k}", label, check=needed, hint=POINT)
        for k, label in enumerate(("Origin", "Along its x", "To the side of its y"), 1)
    ]
    if desk.opened().cell.mount == EYE_IN_HAND:
        hint = "The pose at the image in which the points were seen; empty for touched ones."
        points.append(Question("looked", "Pose at that image", hint=hint))
    file = str(desk.folder / "frame-belt.txt")
    return [
        Question("name", "Name", "belt", needed, "Letters, digits and _, such as belt or pallet."),
        choice("by", "Points are", TOUCHED, (TOUCHED, SEEN),
               "Touched with the proof's pointer, or seen by the camera."),
        *points,
        choice("form", "Written as", "pendant", FORM_NAMES,
               "pendant: values to type as a user frame."),
        Question("file", "File", file, hint="Empty: only shown here."),
    ]  # fmt: skip


def find_frame(desk: Desk, texts: dict[str, str]) -> list[str]:
    """Return the frame in words and as it is written; a file is written where one is named."""
    points = [texts[f"p{k}"] for k in (1, 2, 3)]
    if touched := texts["by"] == TOUCHED:
        desk.touched(points[-1])
    found = frame_found(
        desk.opened(), desk.folder, texts["name"],
        touched=points if touched else (), seen=() if touched else points,
        looked=texts.get("looked") or None,
    )  # fmt: skip
    text = found.text(texts["form"], None)
    lines = [*frame_lines(found), ""]
    if texts["file"]:
        path = Path(texts["file"]).expanduser()
        desk.alone(lambda: write_output(path, encoded(text)))
        lines.insert(0, f"written: {path}")
    return [*lines, *text.splitlines()]
