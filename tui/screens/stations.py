"""The recording screen: next move, stations, what the camera saw, and the line to type in."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen

from engine.errors import BusyError, StationbookError

from ..desk.desk import Desk
from ..desk.say import move, quality, station_facts, title
from ..widgets.head import NextMove, QualityLine, TitleLine
from ..widgets.key_line import KeyLine
from ..widgets.pictures import CoveragePanel, SidesPanel
from ..widgets.station_list import StationList
from ..widgets.view_panel import FactsPanel
from .entry_pad import EntryPad
from .images import Images
from .jobs import begin_job, in_background
from .solving import Solving
from .station_actions import StationActions

LOOK_EVERY = 0.5  # s between looks for a changed session file: a follower is at most 1 s behind


class Stations(Screen[None], StationActions, Solving, Images):
    """One session: record it, or follow it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *StationActions.KEYS,
        Binding("f2", "accept", "accept", id="stations.accept", tooltip="Accept the warnings"),
        Binding("f3", "look", "look", id="stations.look", tooltip="Image, coverage, side views"),
        *Images.IMAGE_KEYS,
        Binding("f5", "joints", "joints", id="stations.joints", tooltip="Type the joints too"),
        *Solving.SOLVING_KEYS,
        Binding("f9", "said", "help", id="help", tooltip="All that the checks say; else the keys"),
        Binding("f7", "undo", "undo", id="stations.undo", tooltip="Take the last action back"),
        Binding("up", "choose(-1)", show=False, id="stations.up", tooltip="Choose the row above"),
        Binding("down", "choose(1)", show=False, id="stations.down", tooltip="Row below"),
        Binding("escape", "other", "list/line", id="stations.other", tooltip="Pose line or list"),
        Binding("tab", "other", show=False, id="stations.tab", tooltip="Pose line or list"),
        Binding("q", "leave", "leave", id="stations.leave", tooltip="Close this session"),
    ]

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield NextMove(id="move")
        yield QualityLine(id="quality")
        with Horizontal(classes="middle"):
            yield StationList(empty="none recorded yet", id="list")
            with Vertical(classes="side"):
                yield from self.side()
        yield EntryPad(self.desk, id="pad")
        yield KeyLine(id="keys")

    def side(self) -> ComposeResult:
        """Yield what stands beside the list."""
        yield FactsPanel(id="facts")
        yield CoveragePanel(id="coverage")
        yield SidesPanel(id="sides")

    @property
    def stations(self) -> StationList:
        return self.query_one("#list", StationList)

    @property
    def pad(self) -> EntryPad:
        return self.query_one("#pad", EntryPad)

    def on_mount(self) -> None:
        """Show the first look at once; open the session when that is on the screen."""
        self.show_session(self._first_choice())
        (self.stations if self.desk.follow else self.pad.pose).focus()
        self.call_after_refresh(self._start)

    def on_unmount(self) -> None:
        """Let the next writer in, however this screen is left."""
        self.desk.close()

    def _first_choice(self) -> int:
        """Return the row of the next planned station, or of the last one recorded."""
        rows = self.desk.rows()
        coming = [n for n, row in enumerate(rows) if row.state == "NEXT"]
        recorded = [n for n, row in enumerate(rows) if row.kind == "recorded"]
        return (coming or recorded[-1:] or [0])[0]

    def _start(self) -> None:
        begin_job(self, self._open, group="open")

    async def _open(self) -> None:
        try:
            await in_background(self.desk.open)
        except BusyError as error:
            from .ask import Confirm

            text = f"{error.problem}.\n\nFollow it read-only?"
            self.app.push_screen(Confirm("Somebody else is recording here", text), self._follow)
            return
        except StationbookError as error:
            self.app.exit(return_code=2, message=f"stationbook: {error}")
            return
        self.show_session()
        self.pad.begin()
        self.solve_quietly()
        if self.desk.follow:
            self.set_interval(LOOK_EVERY, self._look)
        else:
            self.begin_watching()
            await self.ask_at_start()

    async def ask_at_start(self) -> None:
        """Ask what no residual can show later; after a pause only who is here now."""
        from ..desk.changes import kept_open, rested, unanswered

        try:
            if await in_background(unanswered, self.desk):
                from .start import Start

                before = await in_background(kept_open, self.desk)
                self.app.push_screen(Start(self.desk, before), self._started)
            elif rested(self.desk):
                self.action_operator()
        except StationbookError as error:
            self.pad.tell(str(error), "warning")

    def _started(self, answered: bool | None) -> None:
        self.show_session()
        if not answered:
            said = "The start questions stay open; they are asked again at the next opening."
            self.pad.tell(said, "warning")

    def _follow(self, follow: bool | None) -> None:
        if not follow:
            self.action_leave()
            return
        self.desk.follow = True
        self.pad.display = False
        self.stations.focus()
        self._start()

    def _look(self) -> None:
        """Read the session again when its file changed."""
        if self.desk.changed():
            begin_job(self, self._read_again, group="open")

    async def _read_again(self) -> None:
        try:
            await in_background(self.desk.open)
        except StationbookError as error:
            self.pad.tell(str(error), "error")
        self.show_session()

    # ---- showing ---------------------------------------------------------------------------

    def show_session(self, choose: int | None = None) -> None:
        """Show the session as it is now."""
        self.query_one(TitleLine).show(title(self.desk))
        self.show_move()
        self.query_one(QualityLine).show(quality(self.desk))
        self.stations.show(self.desk.rows(), self.desk.labels, choose)
        self.show_side()

    def show_move(self) -> None:
        """Show the next move, which a closing stop planned next makes a closing one."""
        self.close_as_planned()
        self.query_one(NextMove).show(move(self.desk, closing=self.pad.entry.closing))

    def show_side(self) -> None:
        """Show the chosen station while the list has the focus, else the newest image."""
        row = self.stations.item
        facts = (
            station_facts(self.desk, row)
            if self.stations.has_focus and row is not None
            else self.image_facts()
        )
        self.query_one(FactsPanel).show(facts)
        self.show_pictures()

    def show_pictures(self) -> None:
        """Show coverage and places where there is room for them."""
        if self.query_one(CoveragePanel).size and self.desk.session is not None:
            begin_job(self, self._show_pictures, group="pictures")

    async def _show_pictures(self) -> None:
        from ..desk.looking import covered, where

        panel = self.query_one(CoveragePanel)
        entry, (width, height) = self.pad.entry, panel.size
        try:
            panel.show(await in_background(covered, self.desk, entry, width, height - 1))
            self.query_one(SidesPanel).show(await in_background(where, self.desk))
        except StationbookError as error:
            self.pad.tell(str(error), "warning")

    def on_resize(self) -> None:
        """Fill what there is room for now."""
        self.call_after_refresh(self.show_pictures)

    def on_descendant_focus(self) -> None:
        self.show_side()

    def on_chooser_chosen(self) -> None:
        self.show_side()
        self.refresh_bindings()

    def on_entry_pad_stored(self, message: EntryPad.Stored) -> None:
        """Show the new station and choose it."""
        at = [n for n, row in enumerate(self.desk.rows()) if row.key == message.station]
        self.show_session(at[0] if at else None)
        self.solve_quietly()

    def on_entry_pad_renewed(self) -> None:
        self.show_move()
        self.show_side()

    # ---- keys ------------------------------------------------------------------------------

    def action_other(self) -> None:
        """Go from the pose line to the list, or back."""
        if self.stations.has_focus and not self.desk.follow:
            if self.pad.entry.purpose != "record":
                self.pad.begin()
            self.pad.pose.focus()
        else:
            self.stations.focus()

    def action_accept(self) -> None:
        self.pad.accept()

    def action_look(self) -> None:
        """Show the image of the chosen station, or of the entry while a pose is typed."""
        from .look import Look

        row = self.stations.item if self.stations.has_focus else None
        station = row.key if row is not None and row.kind == "recorded" else None
        self.app.push_screen(Look(self.desk, self.pad.entry, station))

    async def action_said(self) -> None:
        """Show all findings of the entry with their remedies, or the keys where there is none."""
        from .findings import Findings

        if self.pad.entry.findings:
            self.app.push_screen(Findings(self.pad.entry.findings, self.pad.entry.codes))
        else:
            await self.app.run_action("help")

    def action_joints(self) -> None:
        self.pad.toggle_joints()

    def action_choose(self, step: int) -> None:
        self.stations.action_choose(step)

    def action_leave(self) -> None:
        """Close the session and go back to where it was opened from."""
        self.desk.close()
        if len(self.app.screen_stack) > 1:
            self.dismiss(None)
        else:
            self.app.exit()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Leave only the actions that make sense now: for the chosen row, and while following."""
        if self.desk.follow and action in self.CHANGING:
            return False
        row = self.stations.item if self.is_mounted else None
        return self.makes_sense(action, row)
