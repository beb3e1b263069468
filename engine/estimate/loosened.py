"""What a cell says too exactly of board, lens and depth: the same problem, told as is usual."""

from __future__ import annotations

from dataclasses import replace

from ..boards.pattern import BOW_U_MM, HEIGHT_U_MM, SCALE_U
from ..camera.model import ASSUMED_LENS_U
from .problem import Problem

SCALE, BOW, HEIGHT_U = "board.scale_u", "board.bow_u_mm", "board.height_u_mm"
FOCAL, CENTRE, EDGE = "camera.u.focal", "camera.u.center_px", "camera.u.edge_px"
OF_BOARD = (SCALE, BOW, HEIGHT_U)  # all cameras see one board
USUAL = {
    SCALE: SCALE_U,
    BOW: BOW_U_MM,
    HEIGHT_U: HEIGHT_U_MM,
    FOCAL: ASSUMED_LENS_U.focal,
    CENTRE: ASSUMED_LENS_U.center_px,
    EDGE: ASSUMED_LENS_U.edge_px,
}
TERMS = {
    SCALE: ("board scale", "board stretch", "board shear"),
    BOW: ("board bow along the rows", "board bow along the columns", "board twist"),
    FOCAL: ("focal length",),
    CENTRE: ("image centre x", "image centre y"),
    EDGE: ("distortion r³", "distortion r⁵"),
}


def told(problem: Problem) -> dict[str, float]:
    """Return the standard uncertainties of a problem's inputs by the key of the cell."""
    board, lens = problem.board, problem.camera.known_u
    return {
        SCALE: board.u.scale,
        BOW: board.u.bow_mm,
        HEIGHT_U: board.height_u_mm,
        FOCAL: lens.focal,
        CENTRE: lens.center_px,
        EDGE: lens.edge_px,
    }


def loosened(problem: Problem, keys: frozenset[str]) -> Problem:
    """Return the problem with these inputs known as well as is usual, no better."""
    known = told(problem)
    keys = frozenset(key for key in keys if known[key] < USUAL[key])
    if not keys:
        return problem
    u = {key: USUAL[key] if key in keys else value for key, value in known.items()}
    board, camera = problem.board, problem.camera
    if SCALE in keys or BOW in keys or HEIGHT_U in keys:
        board = replace(
            board,
            scale_u=u[SCALE] if SCALE in keys else board.scale_u,
            bow_u_mm=u[BOW] if BOW in keys else board.bow_u_mm,
            height_u_mm=u[HEIGHT_U],
        )
    if keys & {FOCAL, CENTRE, EDGE}:
        own = camera.u or ASSUMED_LENS_U
        own = replace(own, focal=u[FOCAL], center_px=u[CENTRE], edge_px=u[EDGE])
        camera = replace(camera, u=own)
    doubted = problem.doubted + tuple((key, known[key]) for key in known if key in keys)
    return replace(problem, board=board, camera=camera, doubted=doubted)
