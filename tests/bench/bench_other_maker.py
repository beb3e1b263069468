"""What is named in sessions of another make (`other_maker`), solved from their files.

    python tests/bench/bench_other_maker.py slips [sessions of each kind in each place]
    python tests/bench/bench_other_maker.py others [sessions of each kind [kind ...]]

Slips: one field typed wrong by more than six standard uncertainties of what the other stations say
of it. Named right: station, field and value; of a value kept from the station before, which says
nothing of the one that was meant, within six of them. Others: the first finding that names a cause
of an error put into a session of 8 to 15 stations; six and four axes. Both mounts in turn.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).parents[1]))

from mistakes import Faulty, left_out_noise
from other_maker import MILLIMETRES, MOUNTS, Array, Session, made, moved_by, pose, written

from engine import api
from engine.diagnosis.diagnose import CAUSES
from engine.steps.solve import session_problem, typed_texts

LEAST_SD = 6.0
STATIONS = 5, 8, 12, 15, 30
SLIPS = "exchanged digits", "sign", "exchanged columns", "shifted point", "kept", "wrong digit"
NAMED = (*CAUSES, "board-turned", "view-behind")
Judge = Callable[[api.Finding], bool]


def named(session: Session) -> list[api.Finding]:
    """Return what the result of the session's files names as a cause, in order."""
    with tempfile.TemporaryDirectory() as folder:
        result = api.solve(written(session, Path(folder) / "s"), store=False)
    return [f for f in result.findings if f.level is not api.Level.NOTE and f.code in NAMED]


def left_out(session: Session) -> Array:
    """Return what the other stations leave uncertain of each typed field (n, k)."""
    with tempfile.TemporaryDirectory() as folder:
        path = written(session, Path(folder) / "s")
        read = api.read_session(path)
        texts = typed_texts(read)
        return left_out_noise(Faulty(session_problem(read, path), texts, texts))


def slip(session: Session, k: int, column: int, kind: str) -> dict[int, str] | None:
    """Return what a hand types at station ``k``, by column; None where there is no such slip."""
    fields, rng = session.texts(k), session.rng
    text = fields[column]
    digits = [at for at, sign in enumerate(text) if sign.isdigit()]
    if kind == "exchanged digits":
        start = int(rng.integers(len(digits) - 1))
        a, b = digits[start : start + 2]
        return {column: f"{text[:a]}{text[b]}{text[a + 1 : b]}{text[a]}{text[b + 1 :]}"}
    if kind == "sign":
        return {column: text[1:] if text.startswith("-") else f"-{text}"}
    if kind == "exchanged columns":
        alike = [at for at in range(len(fields)) if at != column and (at < 3) == (column < 3)]
        if not alike:
            return None
        other = int(rng.choice(alike))
        return {column: fields[other], other: text}
    if kind == "shifted point":
        whole, part = text.split(".")
        return {column: f"{whole}{part[0]}.{part[1:]}"}
    if kind == "kept":
        return {column: session.texts(k - 1)[column]} if k else None
    at = int(rng.choice(digits))
    return {column: f"{text[:at]}{(int(text[at]) + int(rng.integers(1, 10))) % 10}{text[at + 1 :]}"}


def one_slip(axes: int, stations: int, kind: str, seed: int) -> tuple[bool, bool]:
    """Return whether station and whether all of one slip is named first."""
    number = (axes, stations, SLIPS.index(kind), seed)
    session = made(np.random.default_rng(number), axes, stations, MOUNTS[seed % 2])
    rng, least = session.rng, LEAST_SD * left_out(session)
    turn = 360.0 if session.angle_unit == "deg" else 2.0 * np.pi
    while True:
        k, column = int(rng.integers(stations)), int(rng.integers(len(least[0])))
        session.changed = {}
        meant = session.texts(k)
        session.changed = {k: slip(session, k, column, kind) or {}}
        off = np.array([float(a) - float(b) for a, b in zip(session.texts(k), meant, strict=True)])
        off[3:] = (off[3:] + turn / 2) % turn - turn / 2
        if (np.abs(off) > least[k]).any():
            break
    first = next(iter(named(session)), None)
    if first is None or first.station != k + 1:
        return False, False
    labels = "XYZC" if session.rotation == "yaw" else "XYZABC"
    if first.field is None or labels.index(first.field) not in session.changed[k]:
        return True, False
    column = labels.index(first.field)
    if kind == "kept" and first.suggested:
        return True, abs(float(first.suggested) - float(meant[column])) <= least[k, column]
    told = [first.suggested] if first.suggested else first.message.split()
    return True, meant[column] in told


def slips(sessions: int) -> None:
    """Print the table of slips."""
    print(f"| axes | {' | '.join(f'{n} stations' for n in STATIONS)} |\n|---|---|---|---|---|---|")
    places = 0
    for axes in (6, 4):
        row = []
        for stations in STATIONS:
            said = [one_slip(axes, stations, kind, k) for kind in SLIPS for k in range(sessions)]
            row.append(f"{sum(right for _, right in said)} of {len(said)}")
            places += sum(place for place, _ in said)
        print(f"| {axes} | {' | '.join(row)} |", flush=True)
    print(f"\nthe station in {places} of {2 * len(STATIONS) * len(SLIPS) * sessions}")


def _sides(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a factor off 1 by ``low`` to ``high``, either way."""
    return 1.0 + float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))


def _code(*codes: str) -> Judge:
    return lambda f: f.code in codes


def _all_of(code: str, rows: list[int]) -> Judge:
    return lambda f: f.code == code and f.stations == tuple(row + 1 for row in rows)


def pitch(s: Session) -> Judge:
    factor = _sides(s.rng, 0.01, 0.25)
    s.points *= factor
    true = factor * s.board["pitch_mm"]
    return lambda f: f.code == "board-pitch" and abs(float(f.suggested or 0) / true - 1) < 0.005


def focal(s: Session) -> Judge:
    s.true_matrix[[0, 1], [0, 1]] *= _sides(s.rng, 0.015, 0.08)
    return _code("lens")


def centre(s: Session) -> Judge:
    way = s.rng.uniform(0.0, 2.0 * np.pi)
    s.true_matrix[:2, 2] += s.rng.uniform(18.0, 40.0) * np.array([np.cos(way), np.sin(way)])
    return _code("lens")


def bowed(s: Session) -> Judge:
    x = s.points[:, 0] - s.points[:, 0].mean()
    s.points[:, 2] += s.rng.choice([-1.0, 1.0]) * 0.8 * (x / x.max()) ** 2
    return _code("board-bowed")


def order(s: Session) -> Judge:
    n = s.count
    s.order = [
        list(range(n))[::-1],
        [int(k) for k in s.rng.permutation(n)],
        [n - 1, *range(n - 1)],
        [k ^ 1 if k ^ 1 < n else k for k in range(n)],
    ][int(s.rng.integers(4))]
    return _code("pairing")


def unit_at_some(s: Session) -> Judge:
    n = s.count
    rows = sorted(s.rng.choice(n, int(s.rng.choice([1, 3, n // 2])), replace=False).tolist())
    other = {"mm": "m", "m": "mm", "in": "mm"}[s.length_unit]
    factor = MILLIMETRES[s.length_unit] / MILLIMETRES[other]
    for row in rows:
        s.changed[row] = {c: f"{float(s.texts(row)[c]) * factor:.5f}" for c in range(3)}
    return lambda f: f.code == "unit" and (f.stations or (f.station,)) == tuple(r + 1 for r in rows)


def unit(s: Session) -> Judge:
    other = {"mm": "m", "m": "mm", "in": "mm"}[s.length_unit]
    factor = MILLIMETRES[s.length_unit] / MILLIMETRES[other]
    for row in range(s.count):
        s.changed[row] = {c: f"{float(s.texts(row)[c]) * factor:.5f}" for c in range(3)}
    return _code("unit")


def unit_reported(s: Session) -> Judge:
    s.reported_in = 1.0
    return unit(s)


def inches_reported(s: Session) -> Judge:
    s.reported_in = float(s.rng.choice([25.4, 10.0]))
    return _code("unit", "view-behind")


def _turn_reported(
    change: Callable[[Rotation], Rotation],
) -> Callable[[int, list[float]], list[float]]:
    return lambda _, row: [*row[:3], *change(Rotation.from_quat(row[3:])).as_quat().tolist()]


def _camera_in_board(_: int, row: list[float]) -> list[float]:
    turn = Rotation.from_quat(row[3:]).inv()
    return [*(-turn.apply(row[:3])).tolist(), *turn.as_quat().tolist()]


def reported_otherwise(s: Session) -> Judge:
    """Report the camera in the board, rotations the other way round, or in another unit."""
    s.reported_in = 1.0
    degrees = _turn_reported(lambda r: Rotation.from_rotvec(np.degrees(r.as_rotvec())))
    radians = _turn_reported(lambda r: Rotation.from_rotvec(np.radians(r.as_rotvec())))
    code, s.reported = [
        ("inverse-pose", _camera_in_board),
        ("rotation-convention", _turn_reported(lambda r: r.inv())),
        ("unit", degrees),
        ("unit", radians),
    ][int(s.rng.integers(4))]
    return lambda f: f.code == code and "reported" in f.message


def inverse(s: Session) -> Judge:
    s.flanges = np.linalg.inv(s.flanges)
    return _code("inverse-pose")


def clockwise(s: Session) -> Judge:
    for row in range(s.count):
        turns = s.texts(row)[3:]
        if len(turns) == 1:
            s.changed[row] = {3: f"{-float(turns[0]):.5f}"}
    return _code("rotation-convention")


def turned_board(s: Session) -> Judge:
    middle = s.points.mean(axis=0)
    turn = pose(np.diag([-1.0, -1.0, 1.0]), [2.0 * middle[0], 2.0 * middle[1], 0.0])
    row = s.count // 2
    s.plate[row:] = s.plate[row:] @ turn
    return lambda f: f.code == "board-turned"


def flipped(s: Session) -> Judge:
    across = (True, bool(s.rng.random() < 0.5))  # mirrored, or turned by half a turn
    s.flips = dict.fromkeys(range(s.count), across)
    return _code("image-turned")


def counts(s: Session) -> Judge:
    columns = s.board["columns"]
    s.board["columns"] = columns + int(s.rng.choice([-1, 1]))
    assert s.ids is not None
    s.ids[s.ids >= s.board["columns"] * s.board["rows"]] = -1
    return _code("board-counts")


def _shift(s: Session, size_mm: float, turn: float) -> Array:
    way, axis = (v / np.linalg.norm(v) for v in s.rng.normal(size=(2, 3)))
    return moved_by(turn * axis, size_mm * way)


def moved(s: Session) -> Judge:
    what, row = s.rng.choice(["camera", "board"]), int(s.rng.integers(2, s.count - 1))
    off = _shift(s, 5.0, np.radians(0.4))
    moving = s.camera if what == "camera" else s.plate
    moving[row:] = moving[row:] @ off
    return lambda f: f"{what}-moved" in (f.code, f.suggested)


def drift(s: Session) -> Judge:
    axis, way = (v / np.linalg.norm(v) for v in s.rng.normal(size=(2, 3)))
    size = s.rng.uniform(1.5, 4.0)
    for k, share in enumerate(np.linspace(0.0, 1.0, s.count)):
        s.camera[k] = s.camera[k] @ moved_by(share * size / 600.0 * axis, share * size * way)
    return lambda f: "camera-moved" in (f.code, f.suggested)


def old_image(s: Session) -> Judge:
    row = int(s.rng.integers(1, s.count))
    s.order[row] = row - 1  # taken anew, with noise of its own
    return lambda f: (f.code, f.station) == ("same-image", row + 1)


def rectified(s: Session) -> Judge:
    s.told["camera"] = {"distortion": list(s.distortion)}
    s.distortion = (0.0,) * len(s.distortion)
    return lambda f: f.code == "lens" and "no distortion" in f.message


def halved(s: Session) -> Judge:
    s.imaged = dict.fromkeys(range(s.count), lambda pixels: (pixels + 0.5) / 2.0 - 0.5)
    return lambda f: f.code == "lens" and "0.5 times" in f.message


def clean(s: Session) -> Judge:
    return lambda f: False


KINDS: dict[str, tuple[Callable[[Session], Judge], tuple[int, ...]]] = {
    "nothing": (clean, (6, 4)),
    "pitch 1 to 25 % off either way": (pitch, (6, 4)),
    "focal length 1.5 to 8 % off": (focal, (6, 4)),
    "image centre 18 to 40 px off": (centre, (6, 4)),
    "board bowed by 0.8 mm": (bowed, (6, 4)),
    "images in pairs exchanged, in reverse, in any order, the last one first": (order, (6, 4)),
    "another unit of length at one station, three or half": (unit_at_some, (6, 4)),
    "another unit of length": (unit, (6, 4)),
    "the same, reported boards": (unit_reported, (6, 4)),
    "reported boards in inches or centimetres": (inches_reported, (6, 4)),
    "inverse poses": (inverse, (6,)),
    "yaw that counts clockwise": (clockwise, (4,)),
    "board the other way round from half-way on": (turned_board, (6, 4)),
    "all images mirrored or turned": (flipped, (6, 4)),
    "a column more or fewer": (counts, (6, 4)),
    "board or camera moved by 5 mm and 0.4°": (moved, (6, 4)),
    "camera drifts by 1.5 to 4 mm": (drift, (6, 4)),
    "an image that the camera took at the stop before": (old_image, (6, 4)),
    "images whose distortion was taken out": (rectified, (6, 4)),
    "images of half the size": (halved, (6, 4)),
    "reported boards inverse, transposed, degrees for radians": (reported_otherwise, (6, 4)),
}


def others(sessions: int, kinds: list[str]) -> None:
    """Print the table of other errors."""
    print("| what was wrong | named |\n|---|---|")
    for kind in kinds:
        change, axes = KINDS[kind]
        said: Counter[str] = Counter()
        for seed in range(sessions):
            rng = np.random.default_rng([seed, list(KINDS).index(kind), 2])
            stations = int(rng.choice([8, 12, 15]))
            session = made(rng, axes[seed // 2 % len(axes)], stations, MOUNTS[seed % 2])
            judge = change(session)
            try:
                first = next(iter(named(session)), None)
            except api.StationbookError:
                said["refused"] += 1
                continue
            code = "nothing" if first is None else f"`{first.code}`"
            said[code if first is None or judge(first) else f"{code}, not as it is"] += 1
        told = ", ".join(f"{code} {n}" for code, n in said.most_common())
        print(f"| {kind} | {told} of {sessions} |", flush=True)


def main() -> None:
    """Print the table that is asked for."""
    what, count, *kinds = [*sys.argv[1:], "", ""][: max(len(sys.argv) - 1, 2)]
    sessions = int(count) if count else 6
    if what == "slips":
        slips(sessions)
    else:
        others(sessions, kinds or list(KINDS))


if __name__ == "__main__":
    main()
