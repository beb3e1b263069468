"""Setting a lens: every new image of a source as bars that follow it, and trouble at once."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ..cell.cell import Cell
from ..errors import FileError
from ..images.quality import CONTRAST_LIMIT, COST_SHARE, FULL_GREY, WHITE_LIMIT, blur_limit_px
from ..images.sources import ImageSource, watched
from .station_image import JudgedImage, judged_image


@dataclass(frozen=True, slots=True)
class Bar:
    """One figure of the newest image: ``text`` with unit, ``share`` [0..1] of the bar, ``good``.

    A longer bar is better, and half of it is the limit, but for points and contrast, which are
    shares of what there can be. ``best`` [0..1] is the longest since watching began.
    """

    name: str
    text: str
    share: float
    good: bool
    best: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """What to show now: the newest image with its bars, or what is wrong with the source."""

    judged: JudgedImage | None
    bars: tuple[Bar, ...]
    trouble: str = ""


def focusing(
    cell: Cell, source: ImageSource, sleep: Callable[[float], None] = time.sleep
) -> Iterator[Sight | None]:
    """Yield what to show for each new image of ``source``, or trouble as soon as it begins.

    None: nothing new since the last look; stop asking to stop watching.
    """
    best: dict[str, float] = {}
    shown = False
    for image in watched(source, sleep=sleep):
        if image is None:
            yield None
        elif isinstance(image, FileError):
            yield Sight(None, (), str(image))
        else:
            judged = judged_image(cell, image.data, image.name, mirrored=not shown)
            shown = shown or judged.report.found > 0
            found = bars(judged, cell, best)
            best |= {bar.name: bar.best for bar in found}
            yield Sight(judged, found)


def bars(judged: JudgedImage, cell: Cell, best: dict[str, float]) -> tuple[Bar, ...]:
    """Return the bars of an image; ``best`` are the longest so far, by name."""
    report = judged.report
    expected = max(report.expected, 1)
    points = report.found / expected
    found = [Bar("points", f"{report.found} of {expected}", points, points == 1.0)]
    if report.edge_width_px is not None and report.spacing_px is not None:
        limit = blur_limit_px(report.spacing_px, cell.board)
        width = max(report.edge_width_px, 1e-3)
        text = f"{width:.2f} px, limit {limit:.1f} px"
        found.append(Bar("sharp edges", text, min(limit / width / 2, 1.0), width <= limit))
    contrast = report.contrast / FULL_GREY
    text = f"{report.contrast:.0f} of {FULL_GREY + 1} grey levels"
    found.append(Bar("contrast", text, contrast, report.contrast >= CONTRAST_LIMIT))
    white = report.white_fraction
    share = min(WHITE_LIMIT / max(white, 1e-9) / 2, 1.0)
    found.append(Bar("not white", f"{white:.1%} full white", share, white <= WHITE_LIMIT))
    if (u := report.u_mm) is not None:
        limit = COST_SHARE * cell.tolerance.position_mm
        text = f"U {2 * u:.2f} mm, wanted {2 * limit:.2f} mm"
        found.append(Bar("board's place", text, min(limit / max(u, 1e-9) / 2, 1.0), u <= limit))
    return tuple(
        Bar(b.name, b.text, b.share, b.good, max(b.share, best.get(b.name, 0.0))) for b in found
    )
