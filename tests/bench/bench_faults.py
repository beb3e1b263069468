"""Damage, kills and refused calls at length: how many, and what came of them.

    python tests/bench/bench_faults.py [--inputs 20000] [--through-commands 2000] [--step 1]
        [--screens 70] [--only damage|kills|replay|shift|screens|disk] [--seed 1]

Prints a table of the inputs by kind of file, and one of the positions at which every command that
writes was killed and refused the call. Everything that failed is named with its seed.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "faults")]

import world  # noqa: E402
from damage import Tally, spoil  # noqa: E402
from interrupted import EVERY, Outcomes, commands, interrupt  # noqa: E402
from replay import replay  # noqa: E402
from screens import kill_screens  # noqa: E402
from shift import FOLLOWERS, shift  # noqa: E402
from surroundings import BLOCK, on_a_full_disk, small_disk  # noqa: E402

DISK, MOST_ROOM = 24 * 2**20, 2**21  # bytes
NAMED = 40  # failures that are listed


def _full(home: Path, place: Path) -> list[str]:
    """Give every command that writes on a full disk, with ever more room until it has enough."""
    failed, tries = list[str](), 0
    try:
        with small_disk(place, DISK) as disk:
            for name in commands(home):
                for left in range(0, MOST_ROOM, 3 * BLOCK if name not in EVERY else MOST_ROOM):
                    status, wrong = on_a_full_disk(home, disk, name, left)
                    tries += 1
                    failed += wrong
                    if status != 2:
                        break
    except OSError as error:
        print(f"no disk can be mounted here: {error}")
    print(f"full disks: {tries}\n")
    return failed


def _replayed(home: Path, scratch: Path) -> list[str]:
    """Look at every state that a power cut may leave at any call of every command."""
    found = Outcomes()
    try:
        for name in commands(home):
            replay(home, scratch, name, found)
    except OSError as error:
        print(f"nothing can be traced here: {error}")
    print(f"power cuts: {found.calls} calls, {found.states} states, failed {len(found.failed)}\n")
    return found.failed


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--inputs", type=int, default=20_000)
    words.add_argument("--through-commands", type=int, default=2_000)
    words.add_argument("--step", type=int, default=1)
    words.add_argument("--screens", type=int, default=70)
    words.add_argument("--only", choices=("damage", "kills", "replay", "shift", "screens", "disk"))
    words.add_argument("--seed", type=int, default=1)
    args = words.parse_args()
    failed: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        os.environ["STATIONBOOK_CONFIG"] = f"{folder}/config"
        home = Path(folder) / "world"
        world.build(home)
        if args.only in (None, "shift"):
            loads = shift(Path(folder) / "shift", 960)  # an action every 30 s
            named = [f"{one.memory:.0f} MB, {one.files} files" for one in loads[:: len(loads) // 6]]
            print(f"eight hours, {FOLLOWERS} followers\n{chr(10).join(named)}\n")
        if args.only in (None, "damage"):
            for count, through in ((args.inputs, False), (args.through_commands, True)):
                tally = Tally()
                spoil(home, count, args.seed, tally, commands=through)
                print(f"damaged inputs, {'commands' if through else 'readers'}\n{tally.table()}\n")
                failed += tally.failed
        if args.only in (None, "kills"):
            found = Outcomes()
            interrupt(home, Path(folder) / "x", list(commands(home)), found, args.step)
            print(f"commands interrupted\n{found.table()}\n")
            failed += found.failed
        if args.only in (None, "replay"):
            failed += _replayed(home, Path(folder) / "x")
        if args.only in (None, "disk"):
            failed += _full(home, Path(folder) / "disk")
        if args.only in (None, "screens"):
            killed = kill_screens(Path(folder), args.screens, args.seed)
            print(f"screens killed: {killed.done}, acknowledged {killed.acknowledged}\n")
            failed += killed.failed
    print("\n".join(failed[:NAMED]) or "nothing failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
