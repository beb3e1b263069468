"""Steps of the job beside the stations: the printed board, lens, focus, comparison, packing.

Each returns lines for a person; all of it takes time and belongs in the background.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

from engine.cell.session import seen_by
from engine.errors import StationbookError, UsageError
from engine.report.pack import pack as packed
from engine.sessions.store import write_output
from engine.steps.checking import check_lens
from engine.steps.compare import compare, history
from engine.steps.focus import Sight, focusing
from engine.steps.station_image import confirmed_source

from ..output import finding_texts
from ..result_text import bar_line, difference_lines, history_lines, lens_lines
from .desk import Desk
from .recheck import earlier_sessions


def board(desk: Desk, file: str) -> list[str]:
    """Print the cell's board on A4, over several sheets where it needs them."""
    from engine.report.board_print import print_board  # draws: the others need not load that

    cell, out = desk.opened().cell, Path(file).expanduser()
    paths = print_board(cell.board, out, paper="A4", tiling=True, title=cell.name)
    advice = "Print at 100 % (no fitting to the page), then measure the 100 mm check ruler."
    return [*(f"written: {path}" for path in paths), advice]


def lens(desk: Desk) -> list[str]:
    session = desk.opened()
    lines: list[str] = []
    for name in desk.cameras:
        found = check_lens(seen_by(session, name), desk.folder)
        lines += [f"Camera {name}", *lens_lines(found), ""]
    return lines


class Focus:
    """Judges every new image of the first camera as bars, to set its lens."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._sights: Iterator[Sight | None] | None = None
        self._lines = ["Waiting for an image of the camera ..."]

    def look(self) -> list[str]:
        """Return what the newest image says. Raises StationbookError for a source of no use."""
        if self._sights is None:
            cell, folder = self.desk.opened().cell, self.desk.folder
            source = confirmed_source(cell, folder, depth=False)
            self._sights = focusing(cell, source, sleep=lambda _: None)
        sight = next(self._sights, None)
        if sight is not None and sight.trouble:
            self._lines = [sight.trouble]
        elif sight is not None and sight.judged is not None:
            judged = sight.judged
            self._lines = [judged.name, *map(bar_line, sight.bars), "",
                           *finding_texts(judged.findings)]  # fmt: skip
        return self._lines


def comparison(desk: Desk) -> list[str]:
    """Return the difference from the earlier results of this cell, and their history."""
    others, lines = [], []
    for row in earlier_sessions(desk):
        try:
            found = compare(desk.folder, row.folder)
        except UsageError:  # of another cell
            continue
        others.append(row.folder)
        lines += [*difference_lines(found, row.folder.name), ""]
    if not others:
        raise StationbookError("no other result of this cell lies beside this session")
    return [*lines, *history_lines(history([desk.folder, *others]))]


def pack(desk: Desk, file: str) -> list[str]:
    """Write the session as one zip; an existing file is never replaced."""
    out, stream = Path(file).expanduser(), io.BytesIO()
    manifest = packed(desk.folder, stream, now=desk.clock())
    write_output(out, stream.getvalue())
    return [f"{len(manifest.files)} files packed into {out}"]
