"""`robot import`: a robot file from the description that the robot's maker gives (URDF)."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.robots.urdf import import_urdf
from engine.sessions.parts_file import robot_text
from engine.sessions.store import encoded, make_folder, write_bytes_new

from ..output import print_json


def run_import(args: argparse.Namespace) -> int:
    """Write the arm between two links of a URDF file as a robot file."""
    robot = import_urdf(args.file, args.base, args.tip)
    out = Path(args.out) if args.out else Path("robots") / f"{Path(args.file).stem}.yaml"
    make_folder(out.parent)
    write_bytes_new(out, encoded(robot_text(robot)))
    if args.json:
        print_json({"format": 1, "path": str(out), "name": robot.name, "axes": robot.axes})
    else:
        print(f"{robot.name}: {robot.axes} joints, written to {out}")
        print("compare it with the pendant before use: docs/robots.md says how")
    return 0
