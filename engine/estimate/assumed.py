"""What a result rests on and the cell does not give, or calls exact, as findings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..boards.pattern import Board
from ..camera.model import ASSUMED_DEPTH_SCALE_U, ASSUMED_DEPTH_TILT_DEG, ASSUMED_LENS_U
from ..findings import Finding, Level, finding
from .budget import BOARD, DEPTH, LENS, NUMBERS
from .loosened import BOW, CENTRE, EDGE, FOCAL, HEIGHT_U, SCALE, TERMS, USUAL
from .problem import Problem
from .result import Result

# By key: the unit in which a person reads it, how many of them one is, and the finding's variant.
WORDS = {
    SCALE: (" %", 100.0, None),
    BOW: (" mm", 1.0, "bow"),
    HEIGHT_U: (" mm", 1.0, "height"),
    FOCAL: (" %", 100.0, "lens"),
    CENTRE: (" px", 1.0, "lens"),
    EDGE: (" px", 1.0, "lens"),
}
EXACT_SCALE = 2e-4  # [-] of board or focal length; 0.04 mm over 200 mm, which no rule shows


def input_findings(problem: Problem) -> list[Finding]:
    """Return what is assumed of lens and depth, and of how parts are located, as `...-assumed`."""
    items = list[Finding]()
    seen = any(item.pixels is not None for item in problem.observations)
    if seen and (absent := problem.camera.u_assumed):
        items.append(_lens_assumed(absent))
    depth = problem.camera.depth
    measured = any(item.depths is not None for item in problem.observations)
    if measured and (depth is None or depth.scale_u is None):
        items.append(finding("depth-scale-assumed", percent=100 * ASSUMED_DEPTH_SCALE_U))
    if measured and (depth is None or depth.tilt_u_deg is None):
        items.append(finding("depth-tilt-assumed", angle=ASSUMED_DEPTH_TILT_DEG))
    if problem.camera.guessed:
        items.append(_lens_unknown(problem, seen))
    if seen and problem.locate is None:
        items.append(finding("locate-assumed", "depth" if problem.by_depth else None))
    return items


def _lens_unknown(problem: Problem, seen: bool) -> Finding:
    """Return `lens-unknown`: an error where parts are located with lens data, which nobody has."""
    if not seen:
        return finding("lens-unknown", "reported")
    level = Level.WARNING if problem.by_depth else Level.ERROR
    return finding("lens-unknown", "level" if problem.level else None, level=level)


def _lens_assumed(absent: Sequence[str]) -> Finding:
    """Return `lens-assumed` for those of `LensU` that the cell leaves out."""
    u = ASSUMED_LENS_U
    values = {
        "focal": f"focal length ±{100 * u.focal:g} %",
        "center_px": f"image centre ±{u.center_px:g} px",
        "edge_px": f"distortion ±{u.edge_px:g} px at the corner",
    }
    part = len(absent) < len(values)
    said = [values[key] for key in absent]
    listed = " and ".join([", ".join(said[:-1]), said[-1]] if said[1:] else said)
    return finding("lens-assumed", "part" if part else None, assumed=listed)


def board_findings(board: Board, result: Result) -> list[Finding]:
    """Return `what-helps`, and `board-assumed` where that does not say what is assumed."""
    assumed, made_of = board_assumed(board), result.budget
    helps = help_findings(result, assumed)
    told = bool(helps) and made_of is not None and made_of.help_ == BOARD
    return [*helps, *([] if assumed is None or told else [assumed])]


def board_assumed(board: Board) -> Finding | None:
    """Return `board-assumed` where a board says nothing of its lengths or of its flatness."""
    open_ = [u is None for u in (board.scale_u, board.bow_u_mm)]
    if not any(open_):
        return None
    variant = None if all(open_) else "scale" if open_[0] else "bow"
    return finding("board-assumed", variant, percent=100 * board.u.scale, bow_mm=board.u.bow_mm)


def doubted_findings(problem: Problem, result: Result) -> list[Finding]:
    """Return `input-doubted` for what the cell says too exactly, with what the stations say."""
    off, items = result.systematic, list[Finding]()
    for key, told in problem.doubted:
        unit, size, variant = WORDS[key]
        if key == HEIGHT_U:
            # with one number that ties the board, its own height is what the fit makes of it
            what, value = "", float(result.board[2, 3]) - (problem.board.height_mm or 0.0)
            u = float(np.sqrt(result.joint_covariance[11, 11]))
        else:
            rows = [k for k, name in enumerate(off.names) if name in TERMS[key]]
            row = max(rows, key=lambda k: abs(off.value[k]) / off.sd[k])
            what, value, u = off.names[row], float(off.value[row]), float(off.sd[row])
        items.append(
            finding(
                "input-doubted",
                variant,
                field=key,
                typed=f"{size * told:.2g}{unit}",
                what=what,
                found=f"{size * value:.2g}{unit}",
                expanded=f"{2 * size * u:.1g}{unit}",
                usual=f"{size * USUAL[key]:.2g}{unit}",
            )
        )
    return items


def help_findings(result: Result, assumed: Finding | None) -> list[Finding]:
    """Return `what-helps`: the single measurement that would shrink U of a pick most.

    ``assumed``: what is said of a board of which not all is given.
    """
    made_of, u = result.budget, result.uncertainty.pick_mm
    if made_of is None or u is None or made_of.help_ is None or made_of.after_mm is None:
        return []
    board = "assumed" if assumed else None
    return [
        finding(
            "what-helps",
            {LENS: "lens", DEPTH: "depth", NUMBERS: "height"}.get(made_of.help_, board),
            assumed="" if assumed is None else assumed.message,
            part=made_of.parts[0].name,
            share=made_of.parts[0].u_mm,
            length=made_of.length_mm,
            now=2 * u,
            after=made_of.coverage * made_of.after_mm,
        )
    ]


def geometry_finding(problem: Problem, error_mm: float) -> Finding:
    """Return `robot-geometry` of an arm whose errors grow to ``error_mm`` RMS.

    A pitch or focal length that the cell wrongly calls exact looks the same: it is named first.
    """
    exact = _called_exact(problem)
    variant = "exact" if exact else None
    return finding(
        "robot-geometry", variant, error_mm=error_mm, suggested=f"{error_mm:.2g}", exact=exact
    )


def _called_exact(problem: Problem) -> str:
    """Name what the cell calls exact, board, lens data or both; "" where neither is."""
    lens = problem.camera.known_u
    u = {"the board": problem.board.u.scale, "the lens data": lens.focal}
    return " and ".join(name for name, scale in u.items() if scale < EXACT_SCALE)
