"""Write tests/data/printed_results.jsonl, or compare with it: after a change that is to show.

python tests/tools/make_printed_results.py           # writes the file anew
python tests/tools/make_printed_results.py --check   # tells what differs; 1 where anything does

All 200 sessions take about three minutes of processor time. The figures of docs/ may need a new
look where the file changes.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from printed_results import FILE, changes, printed, rounded, sessions, stored


def write() -> None:
    """Solve every session and write what it prints, one line each."""
    lines = [
        json.dumps([name, rounded(printed(make()))], separators=(",", ":"))
        for name, make in sessions().items()
    ]
    FILE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def check() -> int:
    """Print every part of a result that is not as stored, and how long it took."""
    start, before, found = time.process_time(), stored(), 0
    for name, make in sessions().items():
        said = changes(name, make, before[name])
        found += bool(said)
        print("".join(f"{line}\n" for line in said), end="", flush=True)
    spent = time.process_time() - start
    print(f"{found} of {len(before)} sessions differ ({spent:.0f} s of processor time)")
    return int(found > 0)


if __name__ == "__main__":
    sys.exit(check() if "--check" in sys.argv else write())
