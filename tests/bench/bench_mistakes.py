"""How many mistakes are found, and named right: simulated sessions of both mounts.

    python tests/bench/bench_mistakes.py [--sessions 400] [--stations 15] [--kinds clean] [--more]

Only the first finding of a session at level error or warning counts. A session is "found" when that
finding is no mere statement of too little accuracy (`tolerance`, `weak-direction`); "named right"
when it names the cause, station, field and value that were put in. Set OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import mistakes as m
from simulated_sessions import Case, Seen

from engine.diagnosis.diagnose import diagnosed
from engine.estimate.assemble import estimated
from engine.findings import Finding, Level
from engine.frames import displacement

CONSEQUENCES = ("tolerance", "weak-direction")
LEAST = 5.0  # times the leave-one-out noise of each field: a smaller mistake may hide
CONVENTIONS = (
    "moving-zyx", "moving-xyz", "moving-zyz", "fixed-zyz", "fixed-zyx", "rotation-vector",
)  # fmt: skip
MOST_MM = 30.0  # mm; of an error that hardly shows in the result
SIZINGS = 3  # steps towards its size, which U depends on
MOVE = np.radians([0.9, -0.9, 0.8]), np.array([1.2, -1.2, 1.0])  # 1.5° and 2 mm

Judge = Callable[[Finding], bool]
Made = tuple[m.Faulty, Judge]


@dataclass(frozen=True)
class Count:
    """Sessions of one kind: how many, found, right; by level; processor [s]."""

    sessions: int
    found: int
    right: int
    errors: int
    warnings: int
    median_s: float
    p95_s: float


def _slip(case: Case, seed: int) -> Made:
    rng = np.random.default_rng(seed + 77)
    session = m.clean(case, seed)
    made = m.slipped(session, rng, LEAST * m.left_out_noise(session))
    assert made.station is not None
    assert made.field is not None
    place = made.station, made.problem.pendant.labels[made.field]
    meant = made.true[made.station][made.field]
    return made, lambda f: (f.station, f.field) == place and meant in _told(f)


def _told(said: Finding) -> list[str]:
    """Return the value that a finding suggests, or all words where several are as likely."""
    return [said.suggested] if said.suggested else said.message.split()


def _two_slips(case: Case, seed: int) -> Made:
    rng = np.random.default_rng(seed + 78)
    session = m.clean(case, seed)
    least = LEAST * m.left_out_noise(session)
    first = m.slipped(session, rng, least)
    second = first
    while second.station == first.station or second is first:
        second = m.slipped(first, rng, least)
    want = {
        (s, first.problem.pendant.labels[k]): first.true[s][k]
        for s, k in ((first.station, first.field), (second.station, second.field))
    }
    return second, lambda f: want.get((f.station, f.field)) in _told(f)


def _convention(case: Case, seed: int) -> Made:
    name = CONVENTIONS[seed % len(CONVENTIONS)]
    return m.reread(
        m.clean(case, seed), name
    ), lambda f: (f.code, f.suggested) == ("rotation-convention", name)


def _moved(what: str, code: dict[str, str]) -> Callable[[Case, int], Made]:
    def make(case: Case, seed: int) -> Made:
        row = 3 + seed % max(case.stations - 5, 1)
        xi = np.concatenate(MOVE)
        if what in ("tool", "frame"):
            xi = np.concatenate([MOVE[0] * 10, MOVE[1] * 30])
        made = m.moved(case, seed, what, xi, row)
        return made, lambda f: (f.code, f.station) == (code[case.mount], row + 1)

    return make


def _coded(change: Callable[[m.Faulty], m.Faulty], judge: Judge) -> Callable[[Case, int], Made]:
    return lambda case, seed: (change(m.clean(case, seed)), judge)


def _is(code: str, **values: object) -> Judge:
    return lambda f: f.code == code and all(getattr(f, k) == v for k, v in values.items())


def _near(code: str, value: float, within: float) -> Judge:
    return lambda f: f.code == code and abs(float(f.suggested or "nan") - value) < within


KINDS: dict[str, Callable[[Case, int], Made]] = {
    "clean": _coded(lambda s: s, lambda f: False),
    "one slip": _slip,
    "two slips": _two_slips,
    "convention": _convention,
    "radians": _coded(lambda s: m.reread(s, "fixed-xyz", "rad"), _is("unit", suggested="rad")),
    "metres": _coded(lambda s: m.scaled_lengths(s, 0.001), _is("unit", suggested="m")),
    "inverse": _coded(m.inverted, _is("inverse-pose")),
    "shift": _coded(lambda s: m.shifted(s, 1), _is("pairing")),
    "late shift": _coded(lambda s: m.shifted(s, 1, len(s.texts) // 2), _is("pairing")),
    "swap": _coded(lambda s: m.swapped_images(s, 1, 3), _is("pairing", stations=(2, 4))),
    "half-turn": lambda case, seed: (
        m.half_turned(m.clean(case, seed), seed % case.stations),
        lambda f: False,
    ),
    "pitch +2 %": _coded(lambda s: m.other_pitch(s, 1.02), _near("board-pitch", 20.0, 0.06)),
    "focal +2 %": _coded(lambda s: m.other_focal(s, 1.02), _near("lens", 1400.0, 5.0)),
    "board slipped": _moved("board", {"eye-to-hand": "board-moved", "eye-in-hand": "board-moved"}),
    "camera knocked": _moved(
        "camera", {"eye-to-hand": "camera-moved", "eye-in-hand": "camera-moved"}
    ),
    "other tool": _moved("tool", {"eye-to-hand": "board-moved", "eye-in-hand": "camera-moved"}),
    "other frame": _moved("frame", {"eye-to-hand": "camera-moved", "eye-in-hand": "board-moved"}),
}


TIMES_U = 3.0  # an error that moves the result by so many times its U
FLIPS = "images turned", "images mirrored", "all images mirrored"


def _sized(make: Callable[[np.ndarray], m.Faulty], case: Case, seed: int) -> m.Faulty:
    """Return the session with an error that moves the result by `TIMES_U` times the U it states.

    A drift raises the noise that the session shows, and with it U, which then hides more of it.
    """
    rng = np.random.default_rng(seed + 79)
    xi = np.concatenate([np.radians(0.1) * rng.normal(size=3), rng.normal(size=3)])
    whole = estimated(m.clean(case, seed).problem)
    assert whole.pick is not None
    for _ in range(SIZINGS):
        off = estimated(make(xi).problem)
        assert off.uncertainty.pick_mm is not None
        moved = whole.pick.moved @ displacement(off.camera, whole.camera)
        size = float(np.linalg.norm(moved, axis=-1).max())
        largest = MOST_MM / max(float(np.linalg.norm(xi[3:])), 1e-9)
        xi = xi * min(TIMES_U * 2.0 * off.uncertainty.pick_mm / size, largest)
    return make(xi)


def _drift(what: str) -> Callable[[Case, int], Made]:
    def make(case: Case, seed: int) -> Made:
        made = _sized(lambda xi: m.drifted(case, seed, what, xi), case, seed)
        code = f"{what}-moved"  # or what is told to be as likely
        return made, lambda f: (f.code, f.station) == (code, None) or f.suggested == code

    return make


def _knock(what: str) -> Callable[[Case, int], Made]:
    def make(case: Case, seed: int) -> Made:
        row = 3 + seed % max(case.stations - 5, 1)
        made = _sized(lambda xi: m.moved(case, seed, what, xi, row), case, seed)
        return made, lambda f: f"{what}-moved" in (f.code, f.suggested)

    return make


def _moving(case: Case, seed: int) -> Made:
    rng = np.random.default_rng(seed + 80)
    rows = rng.choice(np.arange(1, case.stations), max(1, case.stations // 6), replace=False)
    made = m.still_moving(case, seed, [int(row) for row in rows], 4.0)
    return made, lambda f: f.code == "still-moving" and f.station is not None


def _flipped(how: str) -> Callable[[Case, int], Made]:
    def make(case: Case, seed: int) -> Made:
        rng = np.random.default_rng(seed + 81)
        some = sorted(rng.choice(case.stations, max(1, case.stations // 4), replace=False).tolist())
        rows = range(case.stations) if how.startswith("all") else some
        change = m.mirrored_images if how.endswith("mirrored") else m.turned_images
        wanted = tuple(row + 1 for row in rows)
        return change(m.clean(case, seed), rows), _is("image-turned", stations=wanted)

    return make


def _small_knock(case: Case, seed: int) -> Made:
    """A knock of 0.6 mm in a quiet cell: it counts as right where nothing was called typed."""
    rng, row = np.random.default_rng(seed + 82), 2 + seed % (case.stations - 3)
    shift = rng.normal(size=3)
    xi = np.concatenate([np.zeros(3), 0.6 * shift / np.linalg.norm(shift)])
    quiet = replace(case, position_mm=0.05, angle_deg=0.006)
    made = m.moved(quiet, seed, "camera" if seed % 2 else "board", xi, row)
    return made, lambda f: f.code in ("camera-moved", "board-moved")


def _counted(seed: int) -> Callable[[m.Faulty], m.Faulty]:
    return lambda s: m.miscounted(s, 10, np.random.default_rng(seed))


KINDS |= {
    "camera drifts": _drift("camera"),
    "board drifts": _drift("board"),
    "camera knocked by 3 U": _knock("camera"),
    "board slipped by 3 U": _knock("board"),
    "knock of 0.6 mm": _small_knock,
    "arm still moving": _moving,
    **{how: _flipped(how) for how in FLIPS},
    "columns one too many": _coded(lambda s: m.miscounted(s, 12), _is("board-counts")),
    "columns one too few": lambda case, seed: (
        _counted(seed)(m.clean(case, seed)),
        _is("board-counts"),
    ),
    "pitch 25 for 20": _coded(lambda s: m.other_pitch(s, 1.25), _near("board-pitch", 20.0, 0.1)),
}


FACTORS = 0.75, 0.8, 0.85, 0.9, 0.95, 1.05, 1.1, 1.15, 1.2, 1.25  # on the pitch


def _pitch(case: Case, seed: int) -> Made:
    factor = FACTORS[seed // 2 % len(FACTORS)]
    return m.otherwise(case, seed, m.of_pitch(factor)), _near(
        "board-pitch", 20.0 * factor, 0.1 * factor
    )


def _other(
    name: str, truly: Callable[[float, float], Seen], judge: Callable[[float], Judge]
) -> Callable[[Case, int], Made]:
    """Return a kind of session whose board or lens is off by `TIMES_U` times what U hides.

    ``truly`` takes how far ``name`` is off, and a direction [rad].
    """

    def make(case: Case, seed: int) -> Made:
        off = (1.0 if seed // 2 % 2 else -1.0) * TIMES_U * m.hidden(case, seed, name)
        direction = np.random.default_rng(seed + 83).uniform(0.0, 2.0 * np.pi)
        return m.otherwise(case, seed, truly(off, direction)), judge(off)

    return make


def _off_centre(off_px: float, direction: float) -> Seen:
    return m.of_lens(centre_px=(off_px * np.cos(direction), off_px * np.sin(direction)))


OF_THE_CELL: dict[str, Callable[[Case, int], Made]] = {  # what it says of itself is wrong
    "pitch off by 3 U": _other(
        "board scale",
        lambda off, way: m.of_pitch(1.0 + off),
        lambda off: _near("board-pitch", 20.0 * (1.0 + off), 0.06),
    ),
    "pitch 0.75 to 1.25 times": _pitch,
    "focal length off by 3 U": _other(
        "focal length",
        lambda off, way: m.of_lens(1.0 + off),
        lambda off: _near("lens", 1400.0 * (1.0 + off), 5.0),
    ),
    "image centre off by 3 U": _other("image centre x", _off_centre, lambda off: _is("lens")),
    "board bowed by 3 U": _other(
        "board bow along the rows",
        lambda off, way: m.bowed(off),
        lambda off: _is("board-bowed"),
    ),
    "metres beside reported boards": lambda case, seed: (
        m.scaled_lengths(m.reported(m.clean(case, seed)), 0.001),
        _is("unit", suggested="m"),
    ),
    "reported boards in metres": lambda case, seed: (
        m.reported(m.clean(case, seed), 0.001),
        lambda f: f.code == "view-behind" and "metres" in f.message,
    ),
}
ALL = KINDS | OF_THE_CELL


CASES = {  # what the sessions are like: stations, noise, and how far off the arm's geometry is
    "usual": Case(),
    "reference": Case(style="reference"),
    "quiet": Case(pixel_px=0.05, angle_deg=0.005, position_mm=0.03),
    "noisy": Case(pixel_px=0.4, angle_deg=0.06, position_mm=0.5),
    "geometry": Case(geometry_mm=0.4, accuracy_mm=0.4),
    "worse geometry": Case(geometry_mm=0.5, accuracy_mm=0.2),
    "hidden geometry": Case(geometry_mm=0.4, accuracy_mm=0.0),
}


def measured(kind: str, stations: int, sessions: int, which: str, verbose: bool) -> Count:
    """Run the sessions of one kind, both mounts in turn."""
    tally: Counter[str] = Counter()
    seconds = []
    for seed in range(sessions):
        case = replace(
            CASES[which], mount="eye-to-hand" if seed % 2 else "eye-in-hand", stations=stations
        )
        made, judge = ALL[kind](case, seed)
        start = time.process_time()
        findings = diagnosed(made.problem, made.texts).findings
        seconds.append(time.process_time() - start)
        tally.update(_verdict(findings, judge))
        first = next(_weighty(findings), None)
        if verbose and not _as_wanted(kind, first, judge):
            print(kind, seed, case.mount, first and first.document())
    return Count(
        sessions,
        tally["found"],
        tally["right"],
        tally["error"],
        tally["warning"],
        float(np.median(seconds)),
        float(np.quantile(seconds, 0.95)),
    )


def _as_wanted(kind: str, first: Finding | None, judge: Judge) -> bool:
    if kind in ("clean", "half-turn"):
        return first is None
    return first is not None and judge(first)


def _weighty(findings: tuple[Finding, ...]) -> Iterator[Finding]:
    return (f for f in findings if f.level is not Level.NOTE and f.code not in CONSEQUENCES)


def _verdict(findings: tuple[Finding, ...], judge: Judge) -> Iterator[str]:
    first = next(_weighty(findings), None)
    turned = any(f.code == "board-turned" for f in findings)
    if turned or first is not None:
        yield "found"
    if turned and first is None:
        yield "right"
    if first is not None:
        yield first.level.value
        if judge(first):
            yield "right"


def main() -> None:
    """Print one row per kind."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=400)
    parser.add_argument("--stations", default="15")
    parser.add_argument("--kinds", default=",".join(ALL))
    parser.add_argument("--case", default="usual", choices=tuple(CASES))
    parser.add_argument("--more", action="store_true", help="errors, warnings, s: median, 95 %%")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    more = " error | warning | s | p95 |" if args.more else ""
    print(f"| mistake | stations | count | found | named right |{more}")
    print("|---|---|---|---|---|" + "---|" * 4 * args.more)
    for kind in args.kinds.split(","):
        for stations in map(int, args.stations.split(",")):
            c = measured(kind, stations, args.sessions, args.case, args.verbose)
            n = c.sessions
            more = f" {c.errors} | {c.warnings} | {c.median_s:.2f} | {c.p95_s:.2f} |"
            print(
                f"| {kind} | {stations} | {n} | {100 * c.found / n:.1f} % | "
                f"{100 * c.right / n:.1f} % |{more if args.more else ''}",
                flush=True,
            )


if __name__ == "__main__":
    main()
