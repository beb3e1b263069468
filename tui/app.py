"""The application: one terminal, one look, and the screens on top of each other."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
from collections import deque
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar, cast

from textual import events
from textual.app import App
from textual.binding import Binding, BindingType
from textual.dom import DOMNode
from textual.driver import Driver
from textual.screen import Screen

from .desk.kept import Kept
from .output import unexpected
from .sent import Sent
from .widgets.graphics import WISHES, Answered, Answers, Pictures
from .widgets.looks import LOOKS, NATIVE_THEME, THEMES, Looks, Terminal
from .widgets.sheet import Sheet

Typed = events.Key | events.Paste
FORMS = "forms"
HOME = "\x1b[1;1H"
HELD_S = 1.0  # s that a key waits for the one before it; longer ones are work, not an answer
CTRL_C = "Ctrl+C stops nothing here. Esc, then q leaves; what is typed is kept."
HELP = Binding(
    "f9", "help", "help", id="help", tooltip="All keys of this screen and what they do", show=True
)


def sparing() -> type[Driver] | None:
    """Return a driver for slow lines: clicks alone, no movements of the mouse or hidden cursor."""
    if os.name == "nt":
        return None
    from textual.drivers import linux_driver

    class Sparing(linux_driver.LinuxDriver):
        def run_input_thread(self) -> None:
            vars(linux_driver)["XTermParser"] = Answers
            super().run_input_thread()

        def _enable_mouse_support(self) -> None:
            if self._mouse:
                self.write("\x1b[?1000h\x1b[?1006h")  # presses and releases, in plain numbers
                self.flush()

        def write(self, data: str) -> None:
            super().write(data.removesuffix(HOME))  # ends each update, and moves what is hidden

    return Sparing


class Stationbook(App[None]):
    """The screen of stationbook. ``first`` is the screen that it opens with."""

    CSS_PATH = "stationbook.tcss"
    TITLE = "stationbook"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f8", "menu", "menu", id="menu",
                tooltip="What next? Every step, in the order of the job"),
        HELP,
    ]  # fmt: skip

    def __init__(self, first: Screen[Any], terminal: Terminal | None = None) -> None:
        terminal = terminal or Terminal()
        # ansi_color: numbers of colours are sent as they are
        super().__init__(driver_class=sparing(), ansi_color=True)
        # Two widgets of every screen that never show anything: no mouse is followed.
        self._disable_tooltips = self._disable_notifications = True
        self.HORIZONTAL_BREAKPOINTS = [(110, "-wide")]  # a smaller screen is laid out only once
        self.VERTICAL_BREAKPOINTS = [(36, "-high")]
        self.settings = Kept.settings()
        look = self.settings.get("look")
        self.looks = Looks(terminal, look if look in LOOKS else LOOKS[0])
        wish = self.settings.get("pictures")
        inside = "tmux" if os.environ.get("TMUX") else os.environ.get("TERM", "")
        self.pictures = Pictures(terminal, inside, wish)
        self.sent = Sent(fills=terminal.fills)
        self.first = first
        self._keys: deque[Typed] = deque()  # the first is at work, the others wait for it
        self._held: asyncio.TimerHandle | None = None
        for theme in THEMES.values():
            self.register_theme(theme)
        name = NATIVE_THEME if terminal.native else THEMES[self.looks.name].name
        self.set_reactive(Stationbook.theme, name)  # changing it would read the style sheet twice
        self.stylesheet.set_variables(self.get_css_variables())

    @cached_property
    def half_typed(self) -> Kept:
        """What was typed half and belongs to no session; nothing of it is in a first picture."""
        return Kept.typed(Path(FORMS))

    def get_default_screen(self) -> Screen[Any]:
        return self.first

    async def on_event(self, event: events.Event) -> None:
        """Hand on one key after the other, and what is pasted behind the keys before it.

        Keys that come at once, as over a slow line, are meant for what the first of them opens.
        """
        if not isinstance(event, Typed) or event.is_forwarded:
            await super().on_event(event)
            return
        self._keys.append(event)
        if len(self._keys) == 1:
            await self._hand_on()

    async def _hand_on(self) -> None:
        key, node = self._keys[0], self.focused or self.screen
        self._held = asyncio.get_running_loop().call_later(HELD_S, self._handed_on, key)
        await super().on_event(key)
        self._follow(key, node if key.is_forwarded else self)

    def _follow(self, key: Typed, node: DOMNode | None) -> None:
        """Wait behind a key in the queues that it climbs, then for the screen that it opened."""
        if node is None:
            waits = self.screen.call_later(self._handed_on, key)
        else:
            waits = node.call_later(self._follow, key, node.parent)
        if not waits:
            self._handed_on(key)

    def _handed_on(self, key: Typed) -> None:
        if not self._keys or self._keys[0] is not key:
            return
        if self._held is not None:
            self._held.cancel()
        self._keys.popleft()
        if self._keys:
            self.call_later(self._hand_on)

    def on_mount(self) -> None:
        """Collect garbage again once the first picture is there."""
        self.call_after_refresh(gc.enable)
        self._leave_in_order()

    def _leave_in_order(self) -> None:
        """Let a dropped line and a polite kill leave as a key does: terminal whole, text kept."""
        if self.is_headless or os.name == "nt":
            return
        loop = asyncio.get_running_loop()
        for number in (signal.SIGHUP, signal.SIGTERM):
            loop.add_signal_handler(number, self.exit, None, 128 + number)

    def action_help_quit(self) -> None:
        """Say that Ctrl+C stops nothing, where hands press it."""
        for screen in reversed(self.screen_stack):
            if callable(tell := getattr(screen, "tell", None)):
                tell(CTRL_C, "note")
                return
        self.bell()

    def _display(self, screen: Screen[Any], renderable: Any) -> None:
        """Send only the cells that differ from what the terminal shows."""
        super()._display(screen, cast("Any", self.sent.less(renderable)))

    def on_resize(self) -> None:
        """Send all of it: what a terminal shows after another size is its own affair."""
        self.sent.forget()

    def action_paint(self) -> None:
        self.sent.forget()
        self.screen.refresh()

    def _handle_exception(self, error: Exception) -> None:
        """Leave with one sentence, and the details in the error log, instead of a traceback."""
        if self.is_headless:
            super()._handle_exception(error)
            return
        self.exit(return_code=2, message=f"stationbook: {unexpected(error)}")

    def action_menu(self) -> None:
        from .screens.menu import Entry, Menu  # a key of the menu comes after the first picture

        def chosen(entry: Entry | None) -> None:
            if entry is not None:
                self.run_worker(self.run_action(entry.action, entry.node))

        if not isinstance(self.screen, Menu):
            self.push_screen(Menu(self.screen), chosen)

    def action_look(self, name: str) -> None:
        """Take another look, and remember it for this user."""
        terminal = self.looks.terminal
        self.looks = Looks(terminal, name)
        self.theme = NATIVE_THEME if terminal.native else THEMES[name].name
        self.settings.put("look", name)
        self.settings.save()
        for screen in self.screen_stack:
            for sheet in screen.query(Sheet):
                sheet.renew()

    def ask_terminal(self) -> None:
        """Ask the terminal for graphics and how quick the line is; nothing waits for the answer."""
        driver = self._driver
        if driver is not None and not self.is_headless and os.name != "nt":
            driver.write(self.pictures.question())
            driver.flush()

    def on_answered(self, answer: Answered) -> None:
        if self.pictures.answered(answer):
            self._show_pictures()

    def action_pictures(self, wish: str) -> None:
        """Show pictures as wished, one of ``WISHES``; remembered for this user."""
        self.pictures.wish = wish
        self.settings.put("pictures", "" if wish == WISHES[0] else wish)
        self.settings.save()
        self._show_pictures()

    def _show_pictures(self) -> None:
        for screen in self.screen_stack:
            if callable(show := getattr(screen, "show_pictures", None)):
                show()

    def action_help(self) -> None:
        from .screens.help import Help  # as the menu

        if not isinstance(self.screen, Help):
            self.push_screen(Help(self.screen))
