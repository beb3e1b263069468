"""How many keys the demo takes to its result, and a proof to "proven", every digit typed.

    python tests/bench/bench_screen_keys.py

Poses are typed as the simulated pendant shows them, each key counted, nothing pasted.
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from screen_bench import type_keys, until

from tui.app import Stationbook
from tui.desk.demo import STOPS
from tui.screens.demo import Demo, DemoProof
from tui.screens.opening import Welcome


async def counted(folder: Path) -> tuple[int, int, int]:
    """Return the keys to the result, those of them that type poses, and those of the proof."""
    app = Stationbook(Welcome(folder, 7))
    async with app.run_test(size=(100, 40)) as pilot:
        keys = poses = 0
        await until(pilot, "Enter begins.")
        await pilot.press("enter")
        for stop in range(1, STOPS + 1):
            await until(pilot, "F4 drive")
            await pilot.press("f4")
            await until(pilot, f"stop {stop} of {STOPS}", "88 of 88")
            assert isinstance(app.screen, Demo)
            pose = " ".join(app.screen.simulated.fields)
            await type_keys(pilot, pose)
            await until(pilot, "Enter stores it")
            await pilot.press("enter")
            await until(pilot, f"Station {stop} stored" if stop < STOPS else "stops are stored")
            poses += len(pose)
            keys += len(pose) + 2
        await pilot.press("f6")
        await until(pilot, "ACCEPTED")
        await pilot.press("p")
        await until(pilot, "F4 lays")
        proof = 2  # p, and F6 at the end
        for touch in range(4):  # the least that proves
            if touch % 2 == 0:
                await pilot.press("f4")
                await until(pilot, "of the board is stored")
                proof += 1
            await pilot.press("f4")
            await until(pilot, "Type the point's number")
            assert isinstance(app.screen, DemoProof)
            point, _, rest = app.screen.shown.removeprefix("point ").partition("  ")
            line = " ".join([point, *(part.split()[-1] for part in rest.split("  "))])
            await type_keys(pilot, line)
            await pilot.press("enter")
            await until(pilot, f"Touch {touch + 1} stored")
            proof += len(line) + 2
        await until(pilot, "PROVEN: ", "Proven by 4 touched points")
        await pilot.press("f6")
        await until(pilot, "Stored with the result.")
        return keys + 2, poses, proof


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as place:
        os.environ["STATIONBOOK_CONFIG"] = f"{place}/config"
        result, poses, proof = asyncio.run(counted(Path(place) / "demo"))
    print("| keys | all | of them numbers read off |\n|---|---|---|")
    print(f"| demo to the result, {STOPS} stops | {result} | {poses} |")
    print(f"| proof, 4 touches of 2 boards | {proof} | |")


if __name__ == "__main__":
    main()
