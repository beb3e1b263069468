"""Poses that another script recorded: matrices, or position and rotation, in NPZ, JSON or CSV.

Such a file does not say what its numbers mean. What cannot be seen from it (the unit of length, the
order of a quaternion, an axis sequence, the direction) is named by whoever brings it in; nothing is
guessed. The poses become texts as this cell's pendant would show them, with more digits.
"""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.session import Session
from ..errors import FileError, PoseError, StationbookError, UsageError
from ..files import read_bytes
from ..frames import checked_transform, inverse, proper, transform
from ..pendant.conventions import (
    CONVENTIONS,
    MATRIX,
    POSITION_FIELDS,
    field_count,
    is_quaternion,
    to_matrix,
)
from ..pendant.entry import format_pose
from ..pendant.settings import ANGLE_RAD, LENGTH_MM, AngleUnit, LengthUnit, Pendant
from ..pendant.table import FILE_ENDING, MOST_BYTES, MOST_ROWS, Row, Table, decoded
from .importing import table_rows

SCRIPTS = (".npz", ".npy", ".json")  # never a table as a pendant shows poses
MAX_UNPACKED = 64 * 2**20  # bytes; `MOST_ROWS` matrices take 3 MB
MOST_ARRAYS = 100  # of a file; poses, images and what else a script keeps are some ten
MORE_DIGITS = 4  # beyond the pendant's: the numbers of a script are not rounded again
ROUNDED_MATRIX = 2e-3  # [-] of RᵀR − I; three decimals in a rotation matrix explain that much
KEYS_MATRIX = ("matrix", "pose", "t", "transform", "base_t_flange", "robot_pose", "h")
KEYS_PLACE = (
    "position", "translation", "xyz", "position_mm", "position_m", "pos", "p", "t", "tvec",
)  # fmt: skip
KEYS_TURN = (
    "quaternion", "orientation", "rotation", "q", "rotvec", "rpy", "quaternion_xyzw", "quat", "r",
    "rvec",
)  # fmt: skip
SIZES = (6, 7, 12, 16)  # numbers of a pose
KEYS_IMAGE = ("image", "file", "filename", "image_path", "picture")
QUATERNION_KEYS = (("x", "y", "z", "w"), ("qx", "qy", "qz", "qw"))


@dataclass(frozen=True, slots=True)
class Convention:
    """What the numbers of another script mean.

    ``rotation``: one of `CONVENTIONS`, None: to be seen from the file. ``inverted``: the poses map
    the base into the flange.
    """

    length_unit: LengthUnit
    rotation: str | None = None
    angle_unit: AngleUnit = "deg"
    inverted: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """One pose as found: a matrix, or a position and rotation numbers; and what goes with it."""

    place: int
    matrix: Any = None
    position: Any = None
    turn: Any = None
    named: str | None = None  # the rotation, where the file itself names it
    image: str | None = None


def convention(
    unit: str | None, rotation: str | None, angle_unit: str | None, inverted: bool
) -> Convention:
    """Return the convention of these words. Raises UsageError for what is missing or unknown."""
    if rotation is not None and rotation not in CONVENTIONS:
        raise UsageError(f"unknown convention {rotation!r}", f"Known: {', '.join(CONVENTIONS)}.")
    if unit not in LENGTH_MM:
        raise UsageError(
            "the unit of length of these poses is not named"
            if unit is None
            else f"unknown unit {unit!r}",
            f"Name it, {' or '.join(LENGTH_MM)} (--unit); numbers alone do not tell it.",
        )
    if (angle_unit or "deg") not in ANGLE_RAD:
        raise UsageError(f"unknown angle unit {angle_unit!r}", "Known: deg, rad.")
    return Convention(unit, rotation, angle_unit or "deg", inverted)  # type: ignore[arg-type]


def convention_of(words: str) -> Convention | None:
    """Return the convention that a line of words names, such as "m quaternion-xyzw inverse".

    None for an empty line. Raises UsageError for a word that is none of a unit, `CONVENTIONS`, deg,
    rad and inverse, and where the unit of length is missing.
    """
    unit = rotation = angle = None
    inverted = False
    for word in words.replace(",", " ").lower().split():
        if word in LENGTH_MM:
            unit = word
        elif word in ANGLE_RAD:
            angle = word
        elif word == "inverse":
            inverted = True
        else:
            rotation = word
    return convention(unit, rotation, angle, inverted) if words.strip() else None


def stations_of(session: Session, path: Path, meant: Convention | None) -> Table:
    """Return the rows of a file: of another script where its ending or ``meant`` says so, else of
    a table as this pendant shows poses.

    Raises FileError, and UsageError where a convention is to be named.
    """
    if meant is None and path.suffix.lower() not in SCRIPTS:
        return table_rows(session, path)
    told = meant or convention(None, None, None, False)
    return Table(read_foreign(path, session.cell.pendant, told), path.suffix)


def read_foreign(path: Path, pendant: Pendant, meant: Convention) -> tuple[Row, ...]:
    """Return the poses of an .npz, .npy, .json or .csv file as rows for this pendant.

    Raises FileError for what cannot be read or holds no poses, UsageError where the convention is
    to be named, or where the pendant shows joints.
    """
    if pendant.shows_joints:
        raise UsageError(
            "this cell's stations are typed as joint angles", "Import a table of joint angles."
        )
    suffix = path.suffix.lower()
    if suffix in (".npz", ".npy"):
        poses = _from_numpy(path)
    elif suffix == ".json":
        poses = _from_json(path)
    else:
        poses = _from_csv(path, meant)
    found = list(islice(poses, MOST_ROWS + 1))
    if not found:
        raise FileError(path, "it holds no poses", "4 × 4 matrices, or position and rotation.")
    if len(found) > MOST_ROWS:
        raise FileError(path, f"it holds more than {MOST_ROWS} poses", "Split it.")
    shown = replace(pendant, decimals=tuple(min(d + MORE_DIGITS, 12) for d in pendant.decimals))
    return tuple(_row(item, shown, meant) for item in found)


def _row(item: _Found, pendant: Pendant, meant: Convention) -> Row:
    try:
        T = _transform(item, meant)
        T = inverse(T) if meant.inverted else T
        pose = " ".join(format_pose(T, pendant))
    except UsageError:
        raise
    except (PoseError, StationbookError) as error:
        return Row(item.place, image=item.image, problem=error.problem, remedy=error.remedy)
    return Row(item.place, pose, image=item.image)


def _transform(item: _Found, meant: Convention) -> Array:
    """Return one pose (4, 4) [mm]; raises StationbookError for numbers that are no rigid pose."""
    length = LENGTH_MM[meant.length_unit]
    if item.matrix is not None:
        return _of_matrix(_numbers(item.matrix), length)
    turn, position = _numbers(item.turn), _numbers(item.position).ravel()
    if position.shape == (3,) and turn.shape == (3, 3):
        return _of_matrix(np.column_stack([turn, position]), length)
    if position.shape != (3,) or turn.shape not in ((3,), (4,)):
        raise StationbookError(f"{position.size} + {turn.size} numbers are no pose")
    rotation = item.named or _rotation(turn, meant)
    if len(turn) != field_count(rotation) - POSITION_FIELDS:
        raise StationbookError(f"{position.size} + {turn.size} numbers are no pose")
    if is_quaternion(rotation) and abs(float(np.linalg.norm(turn)) - 1.0) > 0.01:  # 1 %
        raise StationbookError(
            f"the quaternion's length is {np.linalg.norm(turn):.4g}",
            "A rotation quaternion has length 1.",
        )
    labels = tuple("XYZ"[k] if k < 3 else f"R{k}" for k in range(3 + len(turn)))
    like = Pendant(meant.length_unit, meant.angle_unit, rotation, labels, (6,) * len(labels))
    return transform(to_matrix(turn, like), position * length)


def _of_matrix(T: Array, length: float) -> Array:
    if T.size not in (12, 16):
        raise StationbookError(f"{T.size} numbers are no matrix of a pose")
    if T.size == 12:
        T = np.vstack([T.reshape(3, 4), (0.0, 0.0, 0.0, 1.0)])
    T = T.reshape(4, 4).copy()
    if T[3, :3].any() and (T[:, 3] == (0.0, 0.0, 0.0, 1.0)).all():  # by columns
        T = T.T
    off = float(np.abs(T[:3, :3].T @ T[:3, :3] - np.eye(3)).max())
    if off < ROUNDED_MATRIX and np.linalg.det(T[:3, :3]) > 0:
        T[:3, :3] = proper(T[:3, :3])
    T[:3, 3] *= length
    return checked_transform(T, "the matrix")


def _rotation(turn: Array, meant: Convention) -> str:
    """Return how the rotation is written. Raises UsageError where it must be named."""
    named = meant.rotation
    if named is not None and named != MATRIX:
        return named
    examples = "quaternion-xyzw or quaternion-wxyz" if len(turn) == 4 else "rotation-vector, ..."
    raise UsageError(
        f"{len(turn)} numbers of rotation can mean several things",
        f"Name it: --convention {examples}",
    )


def _numbers(value: Any) -> Array:
    try:
        numbers = np.asarray(value, float)
    except (TypeError, ValueError):
        raise StationbookError("what stands here are no numbers") from None
    if not np.isfinite(numbers).all():
        raise StationbookError("one of the numbers is not finite")
    return numbers


# ---- arrays of numpy ---------------------------------------------------------------------------


def _from_numpy(path: Path) -> Iterator[_Found]:
    arrays = _arrays(path)
    poses = {name: array for name, array in arrays.items() if _holds_poses(array)}
    images = next((a for a in arrays.values() if a.dtype.kind in "US" and a.ndim == 1), None)
    named = {name.lower(): name for name in poses}
    chosen = next((named[key] for key in KEYS_MATRIX if key in named), None)
    if not poses:
        items = _pairs(arrays)
    else:
        if chosen is None and len(poses) > 1:
            raise UsageError(
                f"{path.name} holds several arrays of poses: {', '.join(poses)}",
                f"Keep one, or name it {KEYS_MATRIX[0]}.",
            )
        array = poses[chosen or next(iter(poses))]
        items = [_of_list(k, one) for k, one in enumerate(array, 1)]
    if images is None or len(images) != len(items):
        yield from items
    else:
        for item, image in zip(items, images, strict=True):
            said = image.decode("utf-8", "replace") if isinstance(image, bytes) else str(image)
            yield replace(item, image=said)


def _holds_poses(array: Any) -> bool:
    return array.dtype.kind in "fiu" and (
        (array.ndim == 3 and array.shape[1:] in ((4, 4), (3, 4)))
        or (array.ndim == 2 and array.shape[1] in SIZES)
    )


def _pairs(arrays: Mapping[str, Any]) -> list[_Found]:
    """Return the poses whose positions and rotations (of 3, 4, or 3 × 3) are two arrays."""
    found = {name.lower().removesuffix("s"): array for name, array in arrays.items()}
    position, turn = (
        next((found[k] for k in keys if k in found), None) for keys in (KEYS_PLACE, KEYS_TURN)
    )
    if position is None or turn is None or not {position.ndim, turn.ndim} <= {2, 3}:
        return []
    if len(position) != len(turn) or not position.size:
        return []
    position = position.reshape(len(position), -1)
    if turn.shape[1:] != (3, 3):
        turn = turn.reshape(len(turn), -1)
        if turn.shape[1] not in (3, 4):
            return []
    both = zip(position, turn, strict=True)
    return [_Found(k, position=p, turn=q) for k, (p, q) in enumerate(both, 1)]


def _arrays(path: Path) -> dict[str, Any]:
    """Return the arrays of an NPZ or NPY file; nothing in it can run anything."""
    data = read_bytes(path, MAX_UNPACKED)
    try:
        if path.suffix.lower() == ".npz":
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                size, count = sum(i.file_size for i in archive.infolist()), len(archive.infolist())
            if count > MOST_ARRAYS:
                raise FileError(path, f"it holds {count} arrays", "Keep those of the poses.")
            if size > MAX_UNPACKED:
                raise FileError(path, f"unpacked it would take {size / 2**20:.0f} MB")
        loaded = np.load(io.BytesIO(data), allow_pickle=False)
        if isinstance(loaded, np.ndarray):
            return {"poses": loaded}
        return {name: loaded[name] for name in loaded.files if _readable(loaded, name)}
    except FileError:
        raise
    except Exception as error:  # a damaged archive raises what zipfile, zlib and numpy like
        raise FileError(path, f"this is no readable array file ({error})") from None


def _readable(loaded: Any, name: str) -> bool:
    """Tell whether this is an array of plain data: objects would be pickled, and never are."""
    try:
        return isinstance(loaded[name], np.ndarray)
    except ValueError:
        return False


# ---- JSON --------------------------------------------------------------------------------------


def _from_json(path: Path) -> Iterator[_Found]:
    try:
        document = json.loads(decoded(read_bytes(path, MOST_BYTES)))
    except (ValueError, RecursionError) as error:
        raise FileError(path, f"this is not valid JSON ({error})") from None
    pairs: list[_Found] = []
    if isinstance(document, dict):
        with suppress(TypeError, ValueError):
            pairs = _pairs({k: np.asarray(v, float) for k, v in document.items() if _is_pair(k)})
    if len(pairs) > 1:
        yield from pairs
    else:
        yield from (_of_json(place, item) for place, item in enumerate(_stations(document), 1))


def _is_pair(key: str) -> bool:
    return key.lower().removesuffix("s") in (*KEYS_PLACE, *KEYS_TURN)


def _is_pose(value: Any) -> bool:
    if isinstance(value, dict):
        return any(key.lower() in (*KEYS_MATRIX, *KEYS_PLACE) for key in value)
    try:
        return isinstance(value, list) and np.size(np.asarray(value, float)) in SIZES
    except (TypeError, ValueError):
        return False


def _stations(document: Any, depth: int = 0) -> Sequence[Any]:
    """Return the list of poses in a document: itself, or the longest list in a group of keys."""
    if isinstance(document, list) and document:
        return document if isinstance(document[0], dict | list) else []
    if isinstance(document, dict) and document and all(map(_is_pose, document.values())):
        named = FILE_ENDING.search(next(iter(document)))  # by the images' names
        return [{"image": k, "pose": v} if named else v for k, v in document.items()]
    if isinstance(document, dict) and depth < 3:  # levels; a script nests no deeper
        lists = [_stations(value, depth + 1) for value in document.values()]
        return max(lists, key=len, default=[])
    return []


def _of_json(place: int, item: Any) -> _Found:
    if isinstance(item, list):
        return _of_list(place, item)
    if not isinstance(item, dict):
        return _Found(place, matrix=[])
    lower = {str(key).lower(): value for key, value in item.items()}
    image = next((lower[key] for key in KEYS_IMAGE if isinstance(lower.get(key), str)), None)
    inner = next((lower[key] for key in KEYS_MATRIX if _is_pose(lower.get(key))), None)
    if isinstance(inner, dict):
        return replace(_of_json(place, inner), image=image)
    if inner is not None:
        return replace(_of_list(place, inner), image=image)
    position = _triple(next((lower[key] for key in KEYS_PLACE if key in lower), None))
    for key in KEYS_TURN:
        if key in lower:
            turn, named = _turn(lower[key])
            return _Found(place, position=position, turn=turn, named=named, image=image)
    turn, named = _turn(lower)
    return _Found(place, position=_triple(lower), turn=turn, named=named, image=image)


def _triple(value: Any) -> Any:
    if isinstance(value, dict):
        return [value.get(axis) for axis in "xyz"]
    return value if value is not None else []


def _turn(value: Any) -> tuple[Any, str | None]:
    """Return the rotation numbers, and their name where the keys give it."""
    if isinstance(value, dict):
        for keys in reversed(QUATERNION_KEYS):
            if all(key in value for key in keys):
                return [value[key] for key in keys], "quaternion-xyzw"
        return [], None
    return value, None


def _of_list(place: int, item: Any) -> _Found:
    """Return a pose given as 4 × 4, 3 × 4, 16, 12, 7 or 6 numbers."""
    try:
        size = int(np.size(np.asarray(item, float)))
    except (TypeError, ValueError):
        return _Found(place, matrix=[[float("nan")] * 4] * 4)
    if size in (12, 16):
        return _Found(place, matrix=item)
    flat = np.ravel(np.asarray(item, float)).tolist()
    return _Found(place, position=flat[:3], turn=flat[3:])


# ---- CSV ---------------------------------------------------------------------------------------


def _from_csv(path: Path, meant: Convention) -> Iterator[_Found]:
    """Yield the poses of a table: 16, 12, 7 or 6 numbers a line, in the named convention."""
    text = decoded(read_bytes(path, MOST_BYTES))
    first = text.partition("\n")[0]
    mark = next((m for m in "\t;," if m in first), None)
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    rows = csv.reader(lines, delimiter=mark) if mark else (line.split() for line in lines)
    head: list[str] = []
    found: list[_Found] = []
    for place, cells in enumerate(rows, 1):
        image = next((cell for cell in cells if FILE_ENDING.search(cell)), None)
        values = [_float(cell, mark) for cell in cells if cell.strip() and cell != image]
        if place == 1 and sum(value is None for value in values) >= len(values) - 1:
            head = [cell.strip().lower() for cell in cells]
            continue
        numbers = [float("nan") if value is None else value for value in values]
        found.append(replace(_of_list(place, numbers), image=image))
    named = _named_by_header(head)
    yield from _by_four(found) or (
        item if item.matrix is not None else replace(item, named=named) for item in found
    )


def _by_four(found: Sequence[_Found]) -> list[_Found]:
    """Return the matrices of a file that gives each row of one a line of its own, or nothing."""
    lines = [[*(item.position or ()), *(item.turn or ())] for item in found]
    if len(lines) % 4 or any(len(line) != 4 for line in lines):
        return []
    if any(line != [0.0, 0.0, 0.0, 1.0] for line in lines[3::4]):
        return []
    return [_Found(k // 4 + 1, matrix=lines[k : k + 4]) for k in range(0, len(lines), 4)]


def _named_by_header(head: Sequence[str]) -> str | None:
    """Return the order of a quaternion where the header names its parts."""
    parts = [cell for cell in head if cell in QUATERNION_KEYS[1]]
    if parts == ["qx", "qy", "qz", "qw"]:
        return "quaternion-xyzw"
    return "quaternion-wxyz" if parts == ["qw", "qx", "qy", "qz"] else None


def _float(cell: str, mark: str | None) -> float | None:
    text = cell.strip().replace(",", ".") if mark != "," else cell.strip()
    try:
        return float(text)
    except ValueError:
        return None
