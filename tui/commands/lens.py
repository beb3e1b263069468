"""`lens`: do the cell's lens data fit what this session saw?"""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cell.session import seen_by
from engine.sessions.folder import open_session
from engine.steps.checking import LensCheck, check_lens

from ..output import print_json


def run(args: argparse.Namespace) -> int:
    """Compare the cell's lens data with those that the session's own points support."""
    folder = Path(args.dir)
    session = open_session(folder)
    found = check_lens(seen_by(session, args.camera or session.cell.camera.name), folder)
    if args.json:
        print_json(found.document())
    else:
        print("\n".join(_lines(found)))
    return 0


def _lines(found: LensCheck) -> list[str]:
    K, u = found.matrix, found.u_matrix
    values = (K[0, 0], K[1, 1], K[0, 2], K[1, 2])
    rows = zip(("fx", "fy", "cx", "cy"), values, u, strict=True)
    lines = [f"lens found from {found.views} stations (U = 2u):"]
    lines += [f"  {name} {value:10.2f} ± {2 * s:.2f} px" for name, value, s in rows]
    lines.append(f"  distortion {' '.join(f'{k:.5f}' for k in found.distortion) or 'none'}")
    lines.append(
        f"points miss by {found.residual_px:.3f} px with these data, "
        f"{found.cell_residual_px:.3f} px with the cell's"
    )
    if found.differs:
        lines.append(f"DIFFERS from the cell: {', '.join(found.differs)}")
        lines.append("    Calibrate the lens at this focus and size if `check` names the lens too.")
    else:
        lines.append("the cell's lens data fit")
    return lines
