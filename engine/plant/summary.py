"""One session at a glance: what an overview needs of it.

Thousands of sessions are looked at in a few seconds, so only the keys that are needed are cut out
of files as this program writes them; whatever looks otherwise goes through the strict readers.
Nothing heavy is loaded here.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from ..cell.mount import KEYS
from ..cell.result import CAUSES_OF_ALL, SHOWN, TOLD, StoredResult
from ..cell.touched import REFUTED
from ..errors import FileError, StationbookError
from ..files import inside, read_bytes, sha256
from ..proof.answer import rechecked
from ..sessions.journal import LIFTED, MARKS, MAX_JOURNAL, OVERTAKEN, marked_as
from ..sessions.results import read_result
from ..sessions.store import JOURNAL_FILE, RESULT_FILE, SESSION_FILE
from ..sessions.yaml_text import Node, parse_yaml

Place = Sequence[float]


class Result(NamedTuple):
    """What a stored result says: verdict, proof, standard uncertainties [mm], and the camera.

    ``camera``: x y z [mm] and x y z w of the delivered transform. ``refuted``: touches speak
    against it. ``same``: session.yaml would give the same result now; None: it is another file, and
    nobody has looked yet whether that matters. ``unknown_by``: the code of the cause for which the
    uncertainties are not known, see `StoredResult`. ``as_told``: it is accepted by a number that no
    touch has shown.
    """

    verdict: str
    proven: bool | None
    pick_mm: float | None
    work_volume_mm: float | None
    camera: Place | None
    refuted: bool = False
    same: bool | None = True
    unknown_by: str | None = None
    as_told: bool = False


class Noted(NamedTuple):
    """One line of the journal: what happened, when, by whom.

    ``what``: the event, the cause that a recheck named, or the camera that a mark speaks of ("":
    all). A mark is made by a recheck in the session ``against``. ``against``, ``moved`` and the
    movement belong to rechecks: size and u at the work volume [mm], the shift of its centre (3,)
    [mm], and the shift of the corner where it shows most clearly, with U [mm]. ``mark``: with what
    a mark marks a result, see `journal.MARKS`.
    """

    action: str
    at: str
    who: str | None = None
    what: str = ""
    against: str | None = None
    moved: bool | None = None
    size_mm: float | None = None
    u_mm: float | None = None
    shift_mm: Place | None = None
    clearest_mm: float | None = None
    clearest_expanded_mm: float | None = None
    mark: str = ""

    @property
    def answer(self) -> str:
        """What a recheck answered and how far (± U), as `recheck` says it.

        A movement that is told although its size lies within U is told where it shows.
        """
        said = rechecked(self.what, self.moved)[2]
        if self.size_mm is None or self.u_mm is None:
            return said
        size, U = self.size_mm, 2.0 * self.u_mm
        if self.moved and size <= U and self.clearest_mm and self.clearest_expanded_mm:
            size, U = self.clearest_mm, self.clearest_expanded_mm
            return f"{said}, most clearly {size:.2f} ± {U:.2f} mm"
        return f"{said}, {size:.2f} ± {U:.2f} mm"


class Summary(NamedTuple):
    """One session at a glance. ``problem``: the sentence where it cannot be read."""

    folder: str
    name: str = ""
    created: str = ""
    cell: str = ""
    mount: str = ""
    tolerance_mm: float | None = None
    center_mm: Place | None = None
    every_days: float | None = None
    after: Sequence[str] | None = None
    temperature_degc: float | None = None
    result: Result | None = None
    noted: Sequence[Noted] = ()
    problem: str = ""

    @property
    def mark(self) -> Noted | None:
        """What a recheck found against this session's result, the gravest; None: nothing."""
        last: dict[str, Noted] = {}
        for line in self.noted:
            if line.action == OVERTAKEN:
                last = {line.what: line} if not line.what else last | {line.what: line}
        found = [line for line in last.values() if line.mark != LIFTED]
        return min(found, key=lambda line: list(MARKS).index(line.mark), default=None)


class _UnusualError(Exception):
    """A file in another form than this program writes: for the strict reader."""


def summary(folder: Path) -> Summary:
    """Return one session at a glance; what cannot be read is told in ``problem``."""
    try:
        data = read_bytes(inside(folder, SESSION_FILE))
        try:
            head = _head(data, folder)
        except _UnusualError:
            head = _strict_head(folder)
        result = _result(folder, sha256(data), head.mount)
        return head._replace(result=result, noted=tuple(_noted(folder)))
    except StationbookError as error:
        return Summary(str(folder), name=folder.name, problem=str(error))


def settled(item: Summary) -> Summary:
    """Return a summary that says whether its session would give another result now.

    Reads session.yaml strictly: a note or a plan changes the file, but no result.
    """
    from ..sessions.folder import basis, open_session

    if item.result is None:
        return item
    folder, same = Path(item.folder), False
    with suppress(StationbookError):
        keys = _cut(_TOP, read_bytes(inside(folder, RESULT_FILE)).decode("utf-8", "replace"))
        same = basis(open_session(folder)) == _scalar(keys.get("basis", ""))
    return item._replace(result=item.result._replace(same=same))


_TOP = re.compile(r"^([A-Za-z_]\w*):(.*(?:\n(?:[ \-].*)?)*)", re.MULTILINE)
_INDENTED = re.compile(r"^  ([A-Za-z_]\w*):(.*(?:\n(?:   .*|  -.*)?)*)", re.MULTILINE)
_NUMBER_IN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


def _head(data: bytes, folder: Path) -> Summary:
    """Cut what is needed out of session.yaml; the stations are not looked at."""
    text = _text(data)
    end = text.find("\nplan:")
    keys = _cut(_TOP, text[: end if end > 0 else len(text)])
    cell = _cut(_INDENTED, _needed(keys, "cell"))
    tolerance = _group(_needed(cell, "tolerance"))
    volume = _group(_needed(cell, "work_volume"))
    about = _group(keys.get("about", "{}"))
    after = cell.get("recheck_after")
    return Summary(
        folder=str(folder),
        name=_scalar(_needed(keys, "name")) or folder.name,
        created=_scalar(keys.get("created", "")) or "",
        cell=_scalar(_needed(cell, "name")) or "",
        mount=_scalar(_needed(cell, "mount")) or "",
        tolerance_mm=_float(tolerance.get("position_mm")),
        center_mm=_floats(volume.get("center_mm"), 3),
        every_days=_float(cell.get("recheck_every_days")),
        after=None if after is None else _texts(after),
        temperature_degc=_float(about.get("temperature_degc")),
    )


def _strict_head(folder: Path) -> Summary:
    """Return the same of a session in another form, read strictly: that needs the engine."""
    from ..sessions.folder import open_session

    session = open_session(folder)
    cell, about = session.cell, session.about
    return Summary(
        folder=str(folder),
        name=session.name,
        created=session.created,
        cell=cell.name,
        mount=cell.mount,
        tolerance_mm=cell.tolerance.position_mm,
        center_mm=cell.work_volume.center_mm,
        every_days=cell.recheck_every_days,
        after=cell.recheck_after,
        temperature_degc=about.temperature_degc if about else None,
    )


def _result(folder: Path, session_hash: str, mount: str) -> Result | None:
    path = inside(folder, RESULT_FILE)
    if not os.path.exists(path):
        return None
    data = read_bytes(path)
    try:
        keys = _cut(_TOP, _text(data))
        if "cameras" in keys:
            raise _UnusualError
        names = KEYS[_scalar(_needed(keys, "mount"))]  # type: ignore[index]
        said = _said(keys.get("findings", ""))
        errors = [code for code, level in said if level == "error"]
        spoiled = next((code for code in errors if code in CAUSES_OF_ALL), None)
        u = {} if spoiled else _group(_needed(keys, "uncertainty"))
        found = Result(
            verdict=_scalar(_needed(keys, "verdict")) or "",
            proven={"true": True, "false": False}.get(_needed(keys, "proven").strip()),
            pick_mm=_float(u.get("pick_mm")),
            work_volume_mm=_float(u.get("work_volume_mm")),
            camera=_camera(_needed(keys, names[0])),
            refuted=any(code in REFUTED for code, _ in said),
            unknown_by=spoiled,
            as_told=not errors
            and (TOLD, "note") in said
            and SHOWN not in (code for code, _ in said),
        )
        inputs = keys.get("inputs", "")
        same = session_hash in inputs or not inputs.strip() or _unknown(keys.get("basis"))
    except (_UnusualError, KeyError):
        stored = read_result(folder)
        held = (stored.inputs or {}).values()
        found, same = _of_stored(stored), session_hash in held or _unknown(stored.basis)
    return found._replace(same=same)


def _unknown(basis: str | None) -> bool | None:
    """Return what is known of a result whose session.yaml is another file by now."""
    return None if basis else False


def _of_stored(stored: StoredResult) -> Result:
    camera = None
    if (placed := stored.camera) is not None and placed.known and placed.quaternion_xyzw:
        camera = tuple(
            float(v) for v in (*placed.position_mm, *placed.quaternion_xyzw) if v is not None
        )
    expanded = stored.expanded_mm
    return Result(
        stored.verdict,
        stored.proven,
        None if expanded is None else expanded / 2,
        stored.as_told().uncertainty.work_volume_mm,
        camera,
        stored.by_touch == "failed",
        unknown_by=stored.unknown_by,
        as_told=bool(stored.told),
    )


def _camera(text: str) -> Place | None:
    if text.strip() == "null":
        return None
    keys = _cut(_INDENTED, text)
    position = _floats(_needed(keys, "position_mm"), 3)
    turn = _floats(_needed(keys, "quaternion_xyzw"), 4)
    return None if position is None or turn is None else (*position, *turn)


_FINDING = re.compile(r"^- (?:\{code: ([\w-]+), level: (\w+),)?", re.MULTILINE)


def _said(text: str) -> list[tuple[str, str]]:
    """Return code and level of every finding of a result."""
    found = [(m[1], m[2]) for m in _FINDING.finditer(text)]
    if any(code is None for code, _ in found) or (not found and text.strip() != "[]"):
        raise _UnusualError
    return found


WANTED = (
    "recheck",
    "event",
    "proof",
    OVERTAKEN,
)  # actions of the journal; the others say nothing here
_WANTED = re.compile("|".join(f'"action": "{word}"' for word in WANTED))


def _noted(folder: Path) -> Iterator[Noted]:
    """Yield the lines of the journal that an overview tells of, oldest first."""
    path = inside(folder, JOURNAL_FILE)
    if not os.path.exists(path):
        return
    text = read_bytes(path, MAX_JOURNAL).decode("utf-8", "replace")
    if not _WANTED.search(text):
        return
    for line in text.split("\n"):
        if _WANTED.search(line):
            with suppress(ValueError, TypeError, KeyError, AttributeError, RecursionError):
                yield _line(json.loads(line))


def _line(line: Mapping[str, Any]) -> Noted:
    """Return one line; raises ValueError or the like for one that was damaged."""
    of_board = line.get("cause") == "board"  # then that of the camera, taken alone, did not happen
    move = {} if of_board else line.get("movement") or {}
    size, u, shift = move.get("work_volume_mm"), move.get("u_work_volume_mm"), move.get("shift_mm")
    best = move.get("clearest")
    moved, against = line.get("moved"), line.get("against") or line.get("by")
    at, on = str(line["at"]), str(line.get("on") or "")
    return Noted(
        action=str(line["action"]),
        at=on if on and not at.startswith(on) else at,  # of today: not before what today was solved
        who=None if line.get("who") is None else str(line["who"]),
        what=str(line.get("event") or line.get("cause") or line.get("camera") or ""),
        against=None if against is None else str(against),
        moved=moved if isinstance(moved, bool) else None,
        size_mm=None if size is None else float(size),
        u_mm=None if u is None else float(u),
        shift_mm=None if shift is None else tuple(float(v) for v in shift),
        clearest_mm=None if best is None else float(best["size_mm"]),
        clearest_expanded_mm=None if best is None else float(best["expanded_mm"]),
        mark=marked_as(line) if line["action"] == OVERTAKEN else "",
    )


# ---- cutting keys out of text ------------------------------------------------------------------


def _text(data: bytes) -> str:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise _UnusualError from None
    if not text.startswith("format:") or "\r" in text or "\t" in text:
        raise _UnusualError
    return text


def _cut(pattern: re.Pattern[str], text: str) -> dict[str, str]:
    """Return the keys of one level and the text behind each."""
    found = {m.group(1): m.group(2) for m in pattern.finditer(text)}
    if not found:
        raise _UnusualError
    return found


def _needed(keys: Mapping[str, str], key: str) -> str:
    if key not in keys:
        raise _UnusualError
    return keys[key]


@lru_cache(maxsize=4096)
def _node(text: str) -> Node | None:
    stripped = text.strip()
    if not stripped or stripped == "null":
        return None
    try:
        return parse_yaml(f"key:{text}\n".encode(), Path("cut out")).at("key")
    except FileError:
        raise _UnusualError from None


def _scalar(text: str) -> str | None:
    node = _node(text)
    if node is None or node.is_null:
        return None
    if not isinstance(node.value, str):
        raise _UnusualError
    return node.value


_FLOW = re.compile(r"([A-Za-z_]\w*): *(\[[^\]]*\]|[^,{}\[\]\n]+)")


@lru_cache(maxsize=4096)
def _group(text: str) -> dict[str, str]:
    """Return the keys of a group that holds numbers and lists, in flow form or not."""
    return {m.group(1): m.group(2).strip() for m in _FLOW.finditer(text)}


def _float(text: str | None) -> float | None:
    if text is None or text.strip() in ("null", ""):
        return None
    try:
        return float(text)
    except ValueError:
        raise _UnusualError from None


def _floats(text: str | None, count: int) -> Place | None:
    if text is None or text.strip() == "null":
        return None
    values = _NUMBER_IN.findall(text)
    if len(values) != count:
        return None
    return tuple(map(float, values))


def _texts(text: str) -> tuple[str, ...]:
    node = _node(text)
    return () if node is None else tuple(item.text() for item in node.items())
