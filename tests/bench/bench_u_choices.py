"""How large U is, and what each cautious choice adds to it.

    python tests/bench/bench_u_choices.py [sessions]

Board and lens drawn from their priors as in `bench_cell_inputs`. First the median U of a pick of an
exact arm of six axes, with a fixed camera and with one on the flange. Then, in seven cases of
`bench_cell_inputs`, U with a choice of the engine set otherwise over U as it is, and the share of
sessions inside U in the worst case.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_cell_inputs import STATED_MM, Row, solved, worst_pick
from simulated_sessions import Case

from engine.cell.cell import Locate
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount

WAYS: tuple[Locate, ...] = ("lens", "depth")
MOUNTS: tuple[Mount, ...] = (EYE_TO_HAND, EYE_IN_HAND)
NOISE = (0.05, 0.01), (0.15, 0.02)  # mm, deg at every stop
FIT, PICK, PROBLEM = (f"engine.estimate.{name}." for name in ("fit", "pick", "problem"))
CHOICES: dict[str, dict[str, object]] = {
    "as it is": {},
    "`SCALE_FLAT` 0.75 instead of 1.5": {f"{FIT}SCALE_FLAT": 0.75},
    "`SCALE_FLAT` 0": {f"{FIT}SCALE_FLAT": 0.0},
    "`KEPT` 0.99 instead of 0.995": {f"{PICK}KEPT": 0.99},
    "`KEPT` 0.975": {f"{PICK}KEPT": 0.975},
    "`KEPT` 0.95": {f"{PICK}KEPT": 0.95},
    "`FLAT_IN_VARIANCE` 0 instead of 0.75": {f"{PROBLEM}FLAT_IN_VARIANCE": np.zeros(3)},
    "`UNEXPLAINED` 0 instead of 0.15": {f"{PICK}UNEXPLAINED": 0.0},
}
# Of rows that set the same the last one, which leaves most away.
CHOICES["all of them"] = {
    name: value for changes in CHOICES.values() for name, value in changes.items()
}


def medians(sessions: int) -> None:
    """Print the median U of a pick."""
    print("| stations | 0.05 mm, 0.01°: lens | depth | 0.15 mm, 0.02°: lens | depth |")
    print("|---|---|---|---|---|")
    for stations in (5, 8, 15):
        cells = []
        for (place, turn), locate in ((n, w) for n in NOISE for w in WAYS):
            both = []
            for mount in MOUNTS:
                case = Case(mount, stations=stations, pixel_px=0.1, angle_deg=turn,
                            position_mm=place)  # fmt: skip
                row = Row(case, locate, "exact")
                u = [solved(row, seed)[3].uncertainty.pick_mm or np.nan for seed in range(sessions)]
                both.append(f"{2.0 * np.nanmedian(u):.2f}")
            cells.append(", ".join(both))
        print(f"| {stations} | {' | '.join(cells)} |", flush=True)


def rows() -> Iterator[Row]:
    """Yield the seven cases: 8 to 60 stations, both mounts, four and six axes, lens and depth."""
    for mount, axes, stations, locate, arm in (
        (EYE_TO_HAND, 6, 15, "lens", "exact"),
        (EYE_IN_HAND, 6, 8, "depth", "exact"),
        (EYE_TO_HAND, 6, 30, "depth", "described"),
        (EYE_IN_HAND, 6, 15, "lens", "described"),
        (EYE_IN_HAND, 6, 60, "lens", "described"),
        (EYE_TO_HAND, 4, 15, "lens", "described"),
        (EYE_IN_HAND, 4, 30, "lens", "described"),
    ):
        off, beyond, stated = (0.35, 0.2, STATED_MM) if arm == "described" else (0.0, 0.0, 0.0)
        case = Case(mount, "tilted", axes, stations, 0.15, 0.02, 0.15, off, beyond, stated)
        yield Row(replace(case, height_known=axes == 4), locate, arm)


def choices(sessions: int) -> None:
    """Print what each choice adds."""
    print("| set otherwise | U, over U as it is | inside U in the worst case |\n|---|---|---|")
    before: list[float] = []
    for words, changes in CHOICES.items():
        stated, inside = [], []
        with ExitStack() as changed:
            for name, value in changes.items():
                changed.enter_context(patch(name, value))
            for row in rows():
                u, kept = [], []
                for seed in range(sessions):
                    session, truly, _, result = solved(row, seed)
                    if result.uncertainty.pick_mm is not None:
                        u.append(2.0 * result.uncertainty.pick_mm)
                        kept.append(worst_pick(session, result.camera, truly, row.locate) <= u[-1])
                stated.append(float(np.median(u)))
                inside.append(float(np.mean(kept)))
        before = before or stated
        share = np.divide(stated, before)
        low, high = share.min(), share.max()
        told = f"{low:.2f} to {high:.2f}" if changes else "1"
        print(f"| {words} | {told} | {100 * min(inside):.0f} % |", flush=True)


def main() -> None:
    """Print both tables."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    medians(sessions)
    print()
    choices(sessions)


if __name__ == "__main__":
    main()
