"""`start`, `board` and `robot import`: what is made before the first station."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cautions import NEXT_MOVE
from engine.cell.cell import Cell
from engine.checks.entry import asked_findings
from engine.findings import finding
from engine.robots.urdf import import_urdf
from engine.sessions.cell_file import read_cell
from engine.sessions.cell_parts import robot_text
from engine.sessions.store import encoded, make_folder, write_output
from engine.steps.recheck import start_again
from engine.steps.starting import Part, create_session
from engine.steps.swapping import swap

from ..clock import now
from ..output import Answer, cautions, finding_texts, tell


def run_start(args: argparse.Namespace) -> int:
    cell = Path(args.cell)
    given = {"name": args.name, "operator": args.operator, "now": now()}
    if cell.is_dir():
        session = start_again(cell, Path(args.dir), **given)
    else:
        session = create_session(cell, Path(args.dir), **given)
    undescribed = session.cell.robot is None
    found = [finding("reach-unchecked")] if undescribed else asked_findings(session.cell)
    named = {"dir": args.dir, "name": session.name, "created": session.created}
    started = f"session {session.name!r} started in {args.dir}"
    lines = [*finding_texts(found), started, *_image_folders(session.cell)]
    lines.append(f"next: stationbook open {args.dir}")
    return tell(args, Answer(named, lines, found))


def _image_folders(cell: Cell) -> list[str]:
    """Say where images will be looked for: a folder that a cell names is not looked at before."""
    sources = (camera.source or {} for camera in (cell.camera, *cell.cameras))
    folders = [source["folder"] for source in sources if "folder" in source]
    return [f"images are expected in {folder}: make it if it is not there" for folder in folders]


def run_swap(args: argparse.Namespace) -> int:
    """Start a session after a swap: what is kept, what must be measured, what comes next."""
    told: dict[Part, str | None] = {"camera": args.camera, "board": args.board, "cell": args.cell}
    part, value = next((p, v) for p, v in told.items() if v is not None)
    described = Path(value) if value and part != "cell" else None
    found = swap(
        Path(args.old), Path(args.dir), part, described=described,
        name=value if part == "cell" else None, operator=args.operator, now=now(),
    )  # fmt: skip
    said = {"kept": found.kept, "measure": found.measured, "next": found.next}
    lines = [f"session {found.session.name!r} started in {args.dir}"]
    lines += [f"{word:8} {text}" for word, texts in said.items() for text in texts]
    lines.append(f"planned: {len(found.session.plan)} stations of the earlier session")
    if found.expected_mm is not None:
        lines[-1] += f"; U of a pick then about {found.expected_mm:.2f} mm"
        lines[-1] += f", wanted {found.wanted_mm:.2f} mm"
    document = {
        "dir": args.dir, "swapped": part, "planned": len(found.session.plan),
        "expected_mm": found.expected_mm, "wanted_mm": found.wanted_mm,
        **{word: list(texts) for word, texts in said.items()},
    }  # fmt: skip
    return tell(args, Answer(document, [*lines, *cautions(NEXT_MOVE)]))


def run_board(args: argparse.Namespace) -> int:
    from engine.report.board_print import print_board  # draws: the others need not load that

    cell, out = read_cell(Path(args.cell)), Path(args.out)
    paths = print_board(
        cell.board, out, paper=args.paper, tiling=args.tiles, title=cell.name, force=args.force
    )
    advice = "print at 100 % (no fitting to the page), then measure the 100 mm check ruler"
    document = {"files": [str(path) for path in paths]}
    return tell(args, Answer(document, [*(f"written: {path}" for path in paths), advice]))


def run_import(args: argparse.Namespace) -> int:
    robot = import_urdf(args.file, args.base, args.tip)
    out = Path(args.out) if args.out else Path("robots") / f"{Path(args.file).stem}.yaml"
    make_folder(out.parent)
    write_output(out, encoded(robot_text(robot)), force=args.force)
    document = {"path": str(out), "name": robot.name, "axes": robot.axes}
    said = f"{robot.name}: {robot.axes} joints, written to {out}"
    advice = "compare it with the pendant before use: docs/robots.md says how"
    return tell(args, Answer(document, [said, advice]))
