"""Walk every screen with every key at every size, with a resize between any two keys."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))


def main() -> None:
    """Print a line for each screen; an error of a screen ends the walk with its traceback."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only each so manieth step")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        os.environ["STATIONBOOK_CONFIG"] = f"{place}/config"
        from walking import KEYS, SIZES, Walk

        walk = Walk(Path(place))
        print(f"{len(walk.makers)} screens × {len(KEYS)} keys × {len(SIZES)} sizes")
        for name in walk.makers:
            began = time.monotonic()
            steps = asyncio.run(walk.run(args.every, (name,)))
            print(f"{name:16} {steps:5} steps, {time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
