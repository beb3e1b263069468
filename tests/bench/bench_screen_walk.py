"""Walk every screen with every key at every size, with a resize between any two keys."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import tempfile
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))


def main() -> None:
    """Print a line for each screen; an error of a screen ends its part with a traceback."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only each so manieth step")
    parser.add_argument("--only", nargs="*", default=(), help="only these screens")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        os.environ["STATIONBOOK_CONFIG"] = f"{place}/config"
        from walking import KEYS, SIZES, Walk

        walk = Walk(Path(place))
        print(f"{len(walk.makers)} screens × {len(KEYS)} keys × {len(SIZES)} sizes")
        for name in args.only or walk.makers:
            began = time.process_time()
            try:
                steps = asyncio.run(walk.run(args.every, (name,)))
            except Exception:
                traceback.print_exc()
                print(f"{name:18} ended by an error after {walk.last}", flush=True)
                continue
            spent = time.process_time() - began
            print(f"{name:18} {steps:5} steps, {spent:.0f} s of CPU", flush=True)


if __name__ == "__main__":
    main()
