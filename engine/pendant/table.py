"""Tables of poses: one station a line as a spreadsheet saves it, or labels with numbers.

Nothing is judged here. A row holds the texts for one station, to be read and checked as if they had
been typed; what cannot even be cut into fields carries its problem.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

from ..errors import PoseError, UsageError
from .entry import Jointed, joint_layout, line_layout
from .reading import TooManyError, read_fields, read_line
from .scanning import Layout
from .settings import UNIT_WORDS, Pendant

MOST_ROWS = 5_000  # three times the longest sessions; so many take 4 s of CPU
MOST_SIGNS = 10_000  # of a line; a wide sheet has some hundred
MOST_BYTES = 8 * 2**20  # of a table or JSON: 400 signs a row; read, they take 30 times that
TITLES = 5  # lines among which the header is looked for: a title, a date, what a spreadsheet adds
COMMENTS = ("#", "//", "!")  # what begins a line that is for people: common practice, no source
FILE_ENDING = re.compile(r"\.(png|jpe?g|tiff?|bmp|webp|pgm|jp2|csv)$", re.IGNORECASE)
TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:?\d\d)?")
_UNIT_IN_HEADER = re.compile(r"^(.*?)[\s_]*[\[(]?\s*([A-Za-z]+|°|\"|″)\s*[\])]?$")
_REMARK = re.compile(rf"\s(?:{'|'.join(map(re.escape, COMMENTS))})")  # behind what counts
_NUMBER = r"[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_BRACKETS = re.compile(r"[\[({]([^\[\](){}]*)[\])}]")  # the innermost

IMAGE, TAKEN, COUNTED = "image", "taken", "number"  # columns beside the pendant's own
COLUMNS = {  # header in lower case -> column
    **dict.fromkeys(
        ("image", "images", "file", "filename", "file_name", "picture", "points"), IMAGE
    ),
    **dict.fromkeys(("taken", "time", "date", "timestamp", "date_time"), TAKEN),
    **dict.fromkeys(("station", "id", "no", "nr", "number", "point", "name", "line", "#"), COUNTED),
}


@dataclass(frozen=True, slots=True)
class Row:
    """What stands for one station, as it could be typed; None for what is not there.

    ``number``: the line in the file, or the place in a list, from 1. ``problem`` and ``remedy`` say
    why nothing can be read.
    """

    number: int
    pose: str | None = None
    joints: str | None = None
    image: str | None = None
    taken: str | None = None
    problem: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """The rows of a table, how it was read (in words), and columns that say nothing here."""

    rows: tuple[Row, ...]
    form: str
    unused: tuple[str, ...] = ()


def decoded(data: bytes) -> str:
    """Return text as spreadsheets and controllers save it: UTF-8, marked UTF-16, or 8 bit."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    for start, form in ((1, "utf-16-le"), (0, "utf-16-be")):  # unmarked: every second byte is 0
        if len(data) > 3 and not any(data[start:200:2]):
            return data.decode(form, "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def read_table(text: str, pendant: Pendant, axes: int = 0, robot: Jointed | None = None) -> Table:
    """Return the stations that a text holds, one a line or as labels with numbers.

    Tabs, semicolons, commas or blanks between the fields, a decimal point or comma, a header with
    the pendant's labels in any order or none. ``axes`` of ``robot``: joint values may stand beside
    the pose. Raises UsageError where there is nothing to read.
    """
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if _says_something(line)]
    if not lines:
        raise UsageError("the table is empty", "One line for each station.")
    if len(lines) > MOST_ROWS:
        raise UsageError(f"the table has {len(lines)} lines", f"At most {MOST_ROWS} are read.")
    if long := next((n for n, line in lines if len(line) > MOST_SIGNS), None):
        raise UsageError(f"line {long} has more than {MOST_SIGNS} signs", "One station a line.")
    fields = _Fields.of(pendant, axes, robot)
    for place, (_, line) in enumerate(lines[:TITLES]):
        mark = _mark(line)
        cells = _cells([line], mark)[0]
        if columns := fields.header(cells):
            return _with_header(lines[place:], mark, cells, columns, fields)
    if fields.labelled(text):
        return Table(tuple(_labelled(lines, fields)), "labels with numbers")
    return Table(
        tuple(_plain(lines, _mark(lines[0][1]), fields)), "one station a line, without a header"
    )


def _says_something(line: str) -> bool:
    return bool(line.strip()) and not line.strip().startswith(COMMENTS)


def _mark(line: str) -> str:
    """Return what stands between the fields: a tab, a semicolon, a comma, or "" for blanks."""
    return next((mark for mark in "\t;," if mark in line), "")


def _cells(lines: Iterable[str], mark: str) -> list[list[str]]:
    if not mark:
        return [line.split() for line in lines]
    return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=mark)]


@dataclass(frozen=True, slots=True)
class _Fields:
    """The fields that a row may hold: those typed for a station, and joints beside a pose."""

    own: Layout
    beside: Layout | None  # joints, where the pendant shows poses and the robot's axes are known
    shows_joints: bool

    @classmethod
    def of(cls, pendant: Pendant, axes: int, robot: Jointed | None) -> _Fields:
        beside = joint_layout(pendant, axes, robot) if axes and not pendant.shows_joints else None
        return cls(line_layout(pendant, robot), beside, pendant.shows_joints)

    @property
    def both(self) -> Layout | None:
        """The pose and the joints in one line."""
        if self.beside is None:
            return None
        pose, joints = self.own, self.beside
        aliases = [(label.casefold(), k) for k, label in enumerate(pose.labels)]
        free = [(a, k + len(pose.labels)) for a, k in joints.aliases if a not in dict(aliases)]
        return Layout(
            pose.labels + joints.labels, pose.units + joints.units,
            pose.decimals + joints.decimals, tuple(free),
        )  # fmt: skip

    def row(self, number: int, own: str | None, beside: str | None = None) -> Row:
        """Return a row with what was typed, in the place where this pendant's belongs."""
        if self.shows_joints:
            return Row(number, joints=own)
        return Row(number, own, beside)

    def header(self, cells: Sequence[str]) -> dict[int, str | int] | None:
        """Return what each column holds, by its place, or None where this is no header.

        A field is its index in `both` (or `own`); the others are words of `COLUMNS`.
        """
        layout = self.both or self.own
        columns: dict[int, str | int] = {}
        for place, cell in enumerate(cells):
            index, _ = _named(cell, layout)
            if index is not None:
                columns[place] = index
            elif (word := COLUMNS.get(cell.strip().casefold().replace(" ", "_"))) is not None:
                columns[place] = word
        found = [index for index in columns.values() if isinstance(index, int)]
        own = [index for index in found if index < len(self.own.labels)]
        numbers = any(re.fullmatch(_NUMBER, cell.strip()) for cell in cells)
        return columns if 2 * len(own) >= len(self.own.labels) and not numbers else None

    def labelled(self, text: str) -> bool:
        """Tell whether numbers stand behind this pendant's labels."""
        return (
            re.search(rf"(?i)(?<!\w){re.escape(self.own.labels[0])}\s*[:=]?\s*{_NUMBER}", text)
            is not None
        )


def _named(cell: str, layout: Layout) -> tuple[int | None, str]:
    """Return the field that a header names, and the unit it gives ("" for none)."""
    name = cell.strip().strip("\"'").strip()
    index = layout.index(name)
    if index is not None:
        return index, ""
    found = _UNIT_IN_HEADER.match(name)
    if found is None or (unit := UNIT_WORDS.get(found.group(2).casefold())) is None:
        return None, ""
    return layout.index(found.group(1).strip()), unit


def _with_header(
    lines: Sequence[tuple[int, str]],
    mark: str,
    head: Sequence[str],
    columns: dict[int, str | int],
    fields: _Fields,
) -> Table:
    layout = fields.both or fields.own
    _check_header(head, columns, layout, len(fields.own.labels))
    body = _cells([text for _, text in lines[1:]], mark)
    columns = _with_told(columns, len(head), body)
    rows = [
        _too_long(number, cells, len(head)) or _row_of_cells(number, cells, columns, fields)
        for (number, _), cells in zip(lines[1:], body, strict=False)
    ]
    unused = [cell for place, cell in enumerate(head) if place not in columns and cell.strip()]
    words = {"\t": "tabs", ";": "semicolons", ",": "commas", "": "blanks"}[mark]
    form = f"a header (line {lines[0][0]}), {words} between the columns"
    return Table(tuple(rows), form.replace(" (line 1)", ""), tuple(unused))


def _with_told(
    columns: dict[int, str | int], width: int, body: Sequence[Sequence[str]]
) -> dict[int, str | int]:
    """Return the columns with those whose cells say what they are, in whatever language's words.

    A column of times none of which can be read is none.
    """
    told = dict(columns)
    for place in range(width):
        cells = [row[place] for row in body if place < len(row) and row[place]]
        for what, says in ((IMAGE, FILE_ENDING.search), (TAKEN, time_of)):
            if place not in told and what not in told.values() and cells and all(map(says, cells)):
                told[place] = what
        if told.get(place) == TAKEN and not any(map(time_of, cells)):
            del told[place]
    return told


def _check_header(
    head: Sequence[str], columns: dict[int, str | int], layout: Layout, needed: int
) -> None:
    """Refuse a header that lacks a field, names one twice, or gives another unit than the cell."""
    indices = [index for index in columns.values() if isinstance(index, int)]
    for place, index in columns.items():
        if not isinstance(index, int):
            continue
        if indices.count(index) > 1:
            raise UsageError(
                f"two columns are named {layout.labels[index]}", "Name every column once."
            )
        unit = _named(head[place], layout)[1]
        if unit and unit != layout.units[index]:
            raise UsageError(
                f"column {head[place]!r} is in {unit}, by the cell the pendant shows "
                f"{layout.units[index] or 'no unit'}",
                "Convert the table, or correct the pendant's unit in the cell.",
            )
    missing = [layout.labels[k] for k in range(needed) if k not in indices]
    if missing:
        raise UsageError(
            f"the table has no column for {' '.join(missing)}",
            f"The pendant shows {' '.join(layout.labels[:needed])}: name them in the first line.",
        )


def _too_long(number: int, cells: Sequence[str], width: int) -> Row | None:
    """Refuse a row with numbers behind its last column: cut apart, each reads as another."""
    if not any(re.fullmatch(_NUMBER, cell.strip()) for cell in cells[width:]):
        return None
    return Row(
        number,
        problem=f"{len(cells)} values stand under {width} columns",
        remedy="Where numbers have commas themselves, put semicolons between the columns.",
    )


def _row_of_cells(
    number: int, cells: Sequence[str], columns: dict[int, str | int], fields: _Fields
) -> Row:
    own, count = fields.own, len(fields.own.labels)
    values = {what: cells[place] for place, what in columns.items() if place < len(cells)}
    try:
        typed = " ".join(read_fields([values.get(k, "") for k in range(count)], own))
        beside = None
        if fields.beside is not None:
            joints = [values.get(count + k, "") for k in range(len(fields.beside.labels))]
            if any(joints):
                beside = " ".join(read_fields(joints, fields.beside))
    except PoseError as error:
        row = Row(number, problem=error.problem, remedy=error.remedy)
    else:
        row = fields.row(number, typed, beside)
    return replace(row, image=values.get(IMAGE) or None, taken=values.get(TAKEN) or None)


def _plain(lines: Sequence[tuple[int, str]], mark: str, fields: _Fields) -> Iterator[Row]:
    """Yield the rows of a table without a header: the fields in the pendant's order."""
    taken_apart = [(number, *_apart(line, mark)) for number, line in lines]
    counted = _numbered([rest for _, rest, _, _ in taken_apart], fields)
    for number, rest, image, taken in taken_apart:
        text = re.sub(r"^\s*\d+[\s;,\t]+", "", rest) if counted else rest
        try:
            row = fields.row(number, *_split(text, fields))
        except PoseError as error:
            row = Row(number, problem=error.problem, remedy=error.remedy)
        yield replace(row, image=image, taken=taken)


def _apart(line: str, mark: str) -> tuple[str, str | None, str | None]:
    """Return a line without image name and time, and those two."""
    taken = TIME.search(line)
    if taken is not None:
        line = line[: taken.start()] + line[taken.end() :]
    cells = _cells([line], mark)[0]
    names = [cell for cell in cells if FILE_ENDING.search(cell)]
    rest = [cell for cell in cells if cell not in names]
    while rest and not rest[-1]:  # a mark at the end of the line, or beside what was taken away
        rest.pop()
    between = {",": ", ", "": " "}.get(mark, f" {mark} ")
    text = between.join(rest)
    return text, names[0] if names else None, taken.group() if taken else None


def _numbered(texts: Sequence[str], fields: _Fields) -> bool:
    """Tell whether each line begins with its own number: whole, rising, and one field too many."""
    first = [re.match(r"\s*(\d+)[\s;,\t]", text) for text in texts]
    if not all(first):
        return False
    numbers = [int(found.group(1)) for found in first if found]
    if len(numbers) < 2 or any(b <= a for a, b in pairwise(numbers)):
        return False
    try:
        _split(texts[0], fields)
    except TooManyError:
        return True
    except PoseError:
        pass
    return False


def _split(text: str, fields: _Fields) -> tuple[str, str | None]:
    """Return the pose and the joints of one line. Raises PoseError."""
    text = _in_brackets(text, len(fields.own.labels)) or text
    try:
        return " ".join(read_line(text, fields.own, printed=True)), None
    except TooManyError:
        if fields.both is None:
            raise
        try:
            values = read_line(text, fields.both, printed=True)
        except PoseError:
            values = ()
        if not values:
            raise
    count = len(fields.own.labels)
    return " ".join(values[:count]), " ".join(values[count:])


def _in_brackets(text: str, count: int) -> str | None:
    """Return the numbers of the lists in brackets that together hold so many, or None.

    Programs save them so: `place[1] := [[x, y, z], [w, x, y, z], ...]`.
    """
    lists = [re.split(r"\s*,\s*", found.strip()) for found in _BRACKETS.findall(text)]
    for start in range(len(lists)):
        taken: list[str] = []
        for numbers in lists[start:]:
            if not all(re.fullmatch(_NUMBER, number) for number in numbers):
                break
            taken += numbers
            if len(taken) == count:
                return "  ".join(taken)
    return None


def _labelled(lines: Sequence[tuple[int, str]], fields: _Fields) -> Iterator[Row]:
    """Yield the stations of a text in which each number stands behind its label.

    A label that comes again begins the next station; what else stands in the text is passed over.
    """
    layout, count = fields.both or fields.own, len(fields.own.labels)
    found: dict[int, str] = {}
    start, image, taken = 0, None, None
    for number, line in lines:
        for what, value in _marked(_REMARK.split(line)[0], layout):
            if isinstance(what, int) and what in found:
                yield _of_labels(start, found, count, fields, image, taken)
                found, image, taken = {}, None, None
            if isinstance(what, int):
                start = start if found else number
                found[what] = f"{layout.labels[what]} {value}"
            elif what == IMAGE:
                image = value
            else:
                taken = value
    if found:
        yield _of_labels(start, found, count, fields, image, taken)


def _of_labels(
    number: int, found: dict[int, str], count: int, fields: _Fields,
    image: str | None, taken: str | None,
) -> Row:  # fmt: skip
    own = " ".join(text for k, text in sorted(found.items()) if k < count)
    beside = " ".join(text for k, text in sorted(found.items()) if k >= count)
    return replace(fields.row(number, own or None, beside or None), image=image, taken=taken)


def _marked(line: str, layout: Layout) -> Iterator[tuple[int | str, str]]:
    """Yield what a line holds in its order: (field, number with its unit), image name, time."""
    names = sorted([*layout.labels, *(alias for alias, _ in layout.aliases)], key=len, reverse=True)
    labels = "|".join(
        re.escape(name) + (r"(?=[\s:=])" if name[-1].isdigit() else "") for name in names
    )
    units = "|".join(re.escape(word) for word in sorted(UNIT_WORDS, key=len, reverse=True))
    pattern = (
        rf"(?P<taken>{TIME.pattern})|(?P<image>[^\s\"';,=]+{FILE_ENDING.pattern[:-1]}\b)"
        rf"|(?<!\w)(?P<label>{labels})[\"']?\s*[:=]?\s*(?P<number>{_NUMBER})"
        rf"(?:\s*(?P<unit>{units})(?!\w))?"
    )
    for token in re.finditer(pattern, line, re.IGNORECASE):
        if token["taken"]:
            yield TAKEN, token["taken"]
        elif token["image"]:
            yield IMAGE, token["image"]
        elif (index := layout.index(token["label"])) is not None:
            yield index, f"{token['number']} {token['unit'] or ''}".strip()


def time_of(text: str | None) -> datetime | None:
    """Return the time that a row gives, or None where it gives none that can be read.

    ISO 8601, or day.month.year as spreadsheets of much of Europe save it; with slashes nobody can
    tell the day from the month.
    """
    if text is None:
        return None
    dotted = re.fullmatch(r"(\d\d?)\.(\d\d?)\.(\d{4})[T ]+(\d\d?)(:\d\d.*)", text.strip())
    if dotted is not None:
        day, month, year, hour, rest = dotted.groups()
        text = f"{year}-{month:0>2}-{day:0>2} {hour:0>2}{rest}"
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def time_in(name: str) -> datetime | None:
    """Return the time to the second that stands in the name of a file, or None."""
    found = re.search(r"(?<!\d)(20\d\d)" + r"[-_.T ]?(\d\d)" * 5 + r"(?!\d)", name)
    try:
        return datetime(*map(int, found.groups())) if found else None  # type: ignore[arg-type]
    except ValueError:
        return None


def table_text(pendant: Pendant, rows: Sequence[Row], fields: Sequence[Sequence[str]],
               joints: Sequence[Sequence[str]]) -> str:  # fmt: skip
    """Return stations as the table that `read_table` reads: the pendant's labels, semicolons.

    ``fields`` and ``joints`` hold the texts of each row; joints may be empty.
    """
    axes = max((len(values) for values in joints), default=0)
    beside = [] if pendant.shows_joints else [f"J{k}" for k in range(1, axes + 1)]
    lines = [";".join(["station", *pendant.labels, *beside, IMAGE, TAKEN])]
    for row, typed, shown in zip(rows, fields, joints, strict=True):
        values = [*shown, *[""] * (len(beside) - len(shown))] if beside else []
        cells = [str(row.number), *typed, *values, row.image or "", row.taken or ""]
        lines.append(";".join(_quoted(cell) for cell in cells))
    return "\n".join(lines) + "\n"


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ';"\n') else cell
