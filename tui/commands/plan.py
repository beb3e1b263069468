"""`plan`: the stations worth visiting next, and how to get there."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cautions import BEWARE
from engine.cell.cell import Cell
from engine.cell.session import Session, labelled
from engine.checks.entry import asked_findings
from engine.errors import BusyError, UsageError
from engine.plans.plan import make_plan
from engine.plans.types import Plan, Spiral, Wish
from engine.report.plan_sheet import plan_sheet
from engine.sessions.cell_file import read_cell
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import encoded, write_output
from engine.steps.planning import frames_asked, plan_session, replace_plan

from ..clock import now
from ..output import Answer, cautions, finding_texts, say, tell


def run(args: argparse.Namespace) -> int:
    wish = _wish(args)
    path = Path(args.where)
    if path.is_file():
        cell, title = read_cell(path), ""
        plan, asked = make_plan(cell, (), wish), asked_findings(cell)
    else:
        session, plan = _of_session(args, path, wish)
        cell, title, asked = session.cell, session.name, frames_asked(session)
    if args.out:
        page = plan_sheet(plan, cell, title or cell.name)
        write_output(Path(args.out), encoded(page), force=args.force)
    if args.json:
        for line in (*plan.notes, *warnings(plan), *comparison(plan), *plan.cautions):
            say(line)
    sheet = ["", f"sheet: {args.out}"] if args.out else []
    lines = [*finding_texts(asked), *plan_lines(plan, cell), *sheet]
    return tell(args, Answer(plan.document(), lines, asked))


def _of_session(args: argparse.Namespace, folder: Path, wish: Wish) -> tuple[Session, Plan]:
    if args.no_write:
        session = open_session(folder)
        return session, plan_session(session, folder, wish)
    try:
        with writing(folder, who=args.operator):
            session = open_session(folder)
            plan = plan_session(session, folder, wish)
            who = Who(args.operator, now())
            commit(folder, replace_plan(session, plan), who)
    except BusyError as error:  # whoever records there plans anew after every station
        say(f"{error.problem}: the plan is not stored")
        session = open_session(folder)
        plan = plan_session(session, folder, wish)
    return session, plan


def _wish(args: argparse.Namespace) -> Wish:
    given = {
        name: value
        for name in ("radius_mm", "depth_mm", "tilt_deg", "turn_deg")
        if (value := getattr(args, name)) is not None
    }
    if given and args.style != "spiral":
        raise UsageError(
            f"--{next(iter(given)).partition('_')[0]} belongs to the fixed pattern",
            "Add --style spiral.",
        )
    spiral = Spiral(**given) if args.style == "spiral" else None
    return Wish(count=args.count, until_mm=args.until, close=args.close, spiral=spiral)


def plan_lines(plan: Plan, cell: Cell) -> list[str]:
    lines = [*plan.notes, *([""] if plan.notes else [])]
    for number, step in enumerate(plan.steps, start=1):
        lines.append(f"{number:2}. {step.jog or 'go to'}")
        if step.by == "pose":
            lines.append(f"    {labelled(cell.pendant.labels, step.pose)}")
        lines.append(f"    {step.why}")
        lines += [f"    {BEWARE}{step.beware}"] if step.beware else []
    return [*lines, *comparison(plan), "", *cautions(plan.cautions)]


def warnings(plan: Plan) -> list[str]:
    """Return what may go wrong on the way, by the number of the station."""
    return [f"{k}. {BEWARE}{step.beware}" for k, step in enumerate(plan.steps, 1) if step.beware]


def comparison(plan: Plan) -> list[str]:
    """Return what the plan reaches, and beside a fixed pattern what chosen stations would."""
    u = plan.work_volume_mm
    if u is None or not plan.steps:
        return []
    lines = [f"U at the work volume after these {len(plan.steps)}: about {2 * u:.2g} mm"]
    if plan.chosen_mm is not None:
        lines.append(f"as many chosen stations: about {2 * plan.chosen_mm:.2g} mm")
    pick = plan.steps[-1].pick_mm
    if pick is not None and pick > 1.1 * u:
        lines.append(f"U of a pick, with the robot's own accuracy: about {2 * pick:.2g} mm")
    return [*lines, *filter(None, [plan.little()])]
