"""What is sent to the terminal. Reference: Textual's own rendering, both read back by pyte."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pyte
import pytest
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from textual._compositor import ChopsUpdate, LayoutUpdate
from textual.geometry import Region
from textual.strip import Strip

from tui.sent import Sent

WIDTH, HEIGHT = 30, 6
STYLES = ("color(253) on color(233)", "bold color(231) on color(233)", "reverse", "underline", "",
          "#dadada on #121212", "bold yellow", "color(16) on color(226)")  # fmt: skip
WORDS = ("Station 7", "  ", "±20°", "漢字", "x", " " * 12, "▀▄█")
SYSTEMS = ("truecolor", "256", "standard")


def console(system: str) -> Console:
    return Console(color_system=system, force_terminal=True, legacy_windows=False)  # type: ignore[arg-type]


def line(rng: random.Random) -> Strip:
    """Return a line in pieces of random text and looks."""
    pieces = [
        Segment(rng.choice(WORDS), style(rng.choice(STYLES))) for _ in range(rng.randint(0, 9))
    ]
    return Strip(pieces).adjust_cell_length(WIDTH, style(rng.choice(STYLES)))


def style(text: str) -> Style:
    """Return a style that was never rendered: it remembers the colours of its first terminal."""
    return Style.parse(text).copy()


def seen(screen: pyte.Screen) -> Iterator[tuple[object, ...]]:
    """Yield how every cell looks; of a blank only what can be seen."""
    for y in range(screen.lines):
        for x in range(screen.columns):
            c = screen.buffer[y][x]
            plain = c.data == " " and not (c.reverse or c.underscore)
            yield (c.bg, "") if plain else (c.bg, c.data, c.fg, c.bold, c.underscore, c.reverse)


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("fills", [True, False])
def test_a_terminal_shows_the_same_as_if_all_were_sent(system: str, fills: bool) -> None:
    rng, out = random.Random(f"{system} {fills}"), console(system)
    sent = Sent(fills=fills)
    for _ in range(12):
        ours, theirs = pyte.Screen(WIDTH, HEIGHT), pyte.Screen(WIDTH, HEIGHT)
        streams = pyte.Stream(ours), pyte.Stream(theirs)
        streams[0].feed("\x1b#8")  # something in every cell, as pyte erases only what was written
        sent.forget()
        lines = [line(rng) for _ in range(HEIGHT)]
        for _ in range(6):
            for y in rng.sample(range(HEIGHT), rng.randint(0, 3)):
                lines[y] = line(rng)
            full = LayoutUpdate([[strip] for strip in lines], Region(0, 0, WIDTH, HEIGHT))
            streams[0].feed(sent.less(full).render_segments(out))
            streams[1].feed(full.render_segments(out))
            assert list(seen(ours)) == list(seen(theirs))
            y, x = rng.randrange(HEIGHT), rng.choice((0, 7, 12))
            part = line(rng).crop(0, rng.randint(1, WIDTH - x))
            lines[y] = Strip.join([lines[y].crop(0, x), part, lines[y].crop(x + part.cell_length)])
            ends: list[list[int]] = [[] for _ in range(HEIGHT)]
            ends[y] = [x + part.cell_length]
            chops: list[dict[int, Strip | None]] = [{} for _ in range(HEIGHT)]
            chops[y] = {x: part}
            some = ChopsUpdate(chops, [(y, x, x + part.cell_length)], ends)
            for stream, update in zip(streams, (sent.less(some), some), strict=True):
                stream.feed(update.render_segments(out))
            assert list(seen(ours)) == list(seen(theirs))


def test_only_what_differs_is_sent_and_the_same_again_is_nothing() -> None:
    out, sent, plain = console("256"), Sent(), style(STYLES[0])

    def said(text: str) -> str:
        strip = Strip([Segment(text, plain)]).adjust_cell_length(WIDTH, plain)
        return sent.less(LayoutUpdate([[strip]], Region(0, 0, WIDTH, 1))).render_segments(out)

    assert said("station 1   ok").startswith("\x1b[0;48;5;233m\x1b[2J\x1b[1;1H")
    assert said("station 1   ok") == ""
    assert said("station 2   no") == "\x1b[1;9H2   no"
    assert said("station") == "\x1b[1;9H\x1b[K"
    said("x" * WIDTH)
    assert said("x") == "\x1b[1;2H\x1b[K"
    sent.forget()
    assert "station" in said("station")


def test_a_typed_sign_goes_on_where_the_last_one_ended_with_its_looks() -> None:
    entry, cursor, below = map(style, ("bold color(231) on color(236)", "on color(221)", STYLES[0]))
    out, sent = console("256"), Sent()
    ours, theirs = pyte.Screen(WIDTH, 2), pyte.Screen(WIDTH, 2)
    ours_stream, theirs_stream = pyte.Stream(ours), pyte.Stream(theirs)
    ours_stream.feed("\x1b#8")  # something in every cell, as pyte erases only what was written
    costs = []
    for typed in ("6", "61", "612", "612.", "612. ", "612.", "612.4", "612.4漢", "612.4漢 1"):
        line = Strip([Segment(typed, entry), Segment(" ", cursor)])
        lines = [line.adjust_cell_length(WIDTH, entry)]
        lines.append(Strip([Segment(typed[:3], below)]).adjust_cell_length(WIDTH, below))
        update = LayoutUpdate([[strip] for strip in lines], Region(0, 0, WIDTH, 2))
        said = sent.less(update).render_segments(out)
        costs.append(len(said))
        ours_stream.feed(said)
        theirs_stream.feed(update.render_segments(out))
        assert list(seen(ours)) == list(seen(theirs)), typed
    assert costs[3] == len("\x1b8.\x1b7\x1b[48;5;221m ")


def test_the_toolkit_has_the_private_names_that_the_screen_is_built_on() -> None:
    # Textual promises none of them: where one is gone, pyproject's bound on it stays as it is.
    from textual import _compositor, _xterm_parser
    from textual.app import App
    from textual.drivers import linux_driver

    for owner, names in (
        (_compositor, ("CompositorUpdate", "LayoutUpdate", "ChopsUpdate")),
        (_xterm_parser, ("XTermParser",)),
        (_xterm_parser.XTermParser(), ("_timeout_time", "tick")),
        (linux_driver, ("XTermParser",)),
        (linux_driver.LinuxDriver, ("run_input_thread", "_enable_mouse_support", "write")),
        (App, ("_display", "_handle_exception")),
        (App(), ("_driver", "_disable_tooltips", "_disable_notifications")),
        (Console(), ("_color_system",)),
    ):
        gone = [name for name in names if not hasattr(owner, name)]
        assert not gone, f"{owner}: no {gone} in this version of Textual or Rich"
    fields = (
        (LayoutUpdate, {"strips", "region"}),
        (ChopsUpdate, {"chops", "spans", "chop_ends"}),
    )
    for update, wanted in fields:
        assert wanted <= set(update.__init__.__code__.co_varnames), update
