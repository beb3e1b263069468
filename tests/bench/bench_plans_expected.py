"""U at the work volume as the plan promises it, against what solving then states.

    python tests/bench/bench_plans_expected.py [sessions]

Five stations of an arm with geometric errors, four more as planned. Both are U = 2u of the
delivered transform at the worst corner of the work volume.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from erring_arm import followed

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.errors import StationbookError


def main() -> None:
    """Print one line a mount."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sessions", nargs="?", type=int, default=40)
    sessions = parser.parse_args().sessions
    print("| mount | before, mm | promised, mm | stated, mm | "
          "promised / stated: median, 5 to 95 % |")  # fmt: skip
    print("|---|---|---|---|---|")
    for mount in (EYE_TO_HAND, EYE_IN_HAND):
        runs = []
        for seed in range(sessions):
            with suppress(StationbookError):  # five stations in no one configuration of the arm
                run = followed(mount, seed)
                runs += [run] if run.plan.work_volume_mm else []
        table = 2.0 * np.array(
            [
                (r.plan.now_mm, r.plan.work_volume_mm, r.after.uncertainty.work_volume_mm)
                for r in runs
            ],
            float,
        )
        before, promised, stated = np.median(table, axis=0)
        low, middle, high = np.percentile(table[:, 1] / table[:, 2], (5, 50, 95))
        print(
            f"| {mount} | {before:.3f} | {promised:.3f} | {stated:.3f} | "
            f"{middle:.2f}, {low:.2f} to {high:.2f} |"
        )
        print(f"{len(runs)} of {sessions} sessions", file=sys.stderr)


if __name__ == "__main__":
    main()
