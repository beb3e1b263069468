"""The recording screen: next move, stations, what the camera saw, and the line to type in."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical

from engine.steps.starting import answered, kept_open, questions_skipped

from ..desk.block import stations_in
from ..desk.changes import rested
from ..desk.desk import Desk
from ..desk.entry import Entry
from ..desk.images import cell_scene, view
from ..desk.say import caution_read, job, keep_caution_read, move, quality, station_facts, title
from ..desk.views import first_choice
from ..widgets.graphics import Pictures
from ..widgets.line_edit import LineEdit
from ..widgets.lists import StationList
from ..widgets.panels import FactsPanel, JobLine, NextMove, QualityLine
from ..widgets.pictures import ScenePanel, ViewPanel
from .block import Block
from .entry_pad import EntryPad, PoseEdit
from .forms import Start
from .help import Findings
from .images import Look, StationImages, graphic_of
from .jobs import Working, in_background, pause
from .result import Result
from .station_actions import Solving, StationActions
from .steps import JobSteps

LOOK_EVERY = 0.5  # s between looks for a changed session file: a follower is at most 1 s behind


class Stations(Working[None]):
    """One session that is open: record it, or follow it.

    The work is done by the parts: `EntryPad` (the entry and its checks), `StationActions` (what the
    keys do with a station), `StationImages` (what the cameras see) and `Solving`. Keys go to them,
    and they tell when what is shown is to be shown again.
    """

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = [
        *StationActions.KEYS,
        Binding("f2", "accept", "accept", id="stations.accept",
                tooltip="Accept the warnings; the caution as read"),
        Binding("f3", "look", "look", id="stations.look", tooltip="Image, coverage, side views"),
        *StationImages.KEYS,
        Binding("f5", "joints", "joints", id="stations.joints", tooltip="Type the joints too"),
        *Solving.KEYS,
        *JobSteps.KEYS,
        Binding("t", "questions", "start questions", show=False, id="stations.questions",
                tooltip="Tool, frame, pitch and height of the board, lens: again if need be"),
        Binding("x", "copy", "copy pose", show=False, id="stations.copy",
                tooltip="Copy the chosen row's pose to the clipboard, also over SSH"),
        Binding("h", "table", "table", show=False, id="stations.table",
                tooltip="Bring in a table of poses with its images"),
        Binding("f9", "said", "help", id="help", tooltip="All that the checks say; else the keys"),
        Binding("f7", "station('undo')", "undo", id="stations.undo",
                tooltip="Take the last action back"),
        Binding("up", "choose(-1)", show=False, id="stations.up", tooltip="Choose the row above"),
        Binding("down", "choose(1)", show=False, id="stations.down", tooltip="Row below"),
        Binding("escape", "other", "list/line", id="stations.other", tooltip="Pose line or list"),
        Binding("tab", "other", show=False, id="stations.tab", tooltip="Pose line or list"),
        Binding("q", "leave", "leave", id="stations.leave", tooltip="Close this session"),
    ]  # fmt: skip
    CHANGING = (  # actions
        "station", "image", "file", "accept", "joints", "questions", "other", "table",
    )  # fmt: skip

    def __init__(self, desk: Desk, typed: str = "") -> None:
        """``typed``: what was typed into the pose line before this screen was there."""
        super().__init__()
        self.desk, self.typed = desk, typed
        self.next_move, self.job = NextMove(id="move"), JobLine(id="job")
        self.quality, self.facts = QualityLine(id="quality"), FactsPanel(id="facts")
        self.view, self.scene = ViewPanel(id="view"), ScenePanel(id="scene")
        self.pad = EntryPad(desk, id="pad")
        self.stations = StationList(empty="none recorded yet", id="list")
        self.images = StationImages(desk, self.jobs, self.pad, self.show_side)
        self.solving = Solving(desk, self.jobs, self.pad, self.show_session)
        self.actions = StationActions(
            desk, self.jobs, self.pad, self.stations, self.show_session, self._changed
        )
        # Actions that a part carries out, by the names in its KEYS.
        self.action_image, self.action_file = self.images.take, self.images.ask_files
        self.action_result = self.solving.result
        self.action_recheck = self.solving.recheck
        self.action_joints, self.action_station = self.pad.toggle_joints, self.actions.do
        self.action_choose = self.stations.action_choose
        self.action_step = JobSteps(desk, self.jobs).do
        self._early: list[events.Event] | None = []  # keys from before the line had them

    def parts(self) -> ComposeResult:
        yield self.next_move
        yield self.quality
        yield self.job
        with Horizontal(classes="middle"):
            yield self.stations
            with Vertical(classes="side"):
                yield from self.side()
        yield self.pad

    def side(self) -> ComposeResult:
        with Horizontal(classes="upper"):
            yield self.facts
            yield self.view
        yield self.scene

    def on_mount(self) -> None:
        """Show the session; follow it, or look for images and ask what is to be asked."""
        self.pad.resume(self.typed)
        self.show_session(first_choice(self.desk.rows()))
        self.stations.figures_to = None if self.desk.follow else self.pad.pose
        self.set_focus(self.stations if self.desk.follow else self.pad.pose)
        early, self._early = self._early or [], None
        for event in early:
            self.pad.pose._forward_event(event)
        self.solving.quietly()
        if self.desk.follow:
            self.set_interval(LOOK_EVERY, self._look)
        else:
            self.images.watch()
            self.jobs.begin(self.ask_at_start, group="open")

    def on_screen_resume(self) -> None:
        """Work out the next move where it is not known any more, as after a touch."""
        if self.desk.planning and not self.solving.planning:
            self.show_move()
            self.solving.quietly()

    def on_unmount(self) -> None:
        """Let the next writer in, however this screen is left."""
        self.desk.close()

    def _forward_event(self, event: events.Event) -> None:
        """Keep what is typed while this screen is being made."""
        typed = isinstance(event, events.Key | events.Paste)
        if typed and self._early is not None and not self.desk.follow:
            self._early.append(event)
        else:
            super()._forward_event(event)

    async def ask_at_start(self) -> None:
        """Ask what no residual can show later; after a pause only who is here now.

        Whoever types a pose already is asked once it is stored: a question would take half of it.
        """
        self.desk.questions_open = not await in_background(answered, self.desk.folder)
        while self.pad.begun:
            await pause(LOOK_EVERY)
        if self.desk.questions_open:
            await self._ask(self._started)
        elif rested(self.desk):
            self.actions.operator()

    async def _ask(self, then: Callable[[bool | None], None]) -> None:
        before = await in_background(kept_open, self.desk.folder)
        self.app.push_screen(Start(self.desk, before), then)

    def _started(self, done: bool | None) -> None:
        if done:
            self.desk.questions_open = False
        elif self.desk.questions_open:  # who looks at answers that stand leaves nothing open
            self.jobs.begin(self._left_open, group="open")
        self.show_session()

    async def _left_open(self) -> None:
        folder = self.desk.folder
        await in_background(self.desk.beside, lambda session: questions_skipped(session, folder))
        self.tell(
            "The start questions stay open. They are asked again before it solves.", "warning"
        )

    def action_questions(self) -> None:
        self.jobs.begin(self._ask, self._started, group="open")

    def action_solve(self) -> None:
        """Solve, or show the result as it is stored; questions that are open are asked before."""

        def then(done: bool | None) -> None:
            self._started(done)
            self.solving.solve()

        if self.desk.questions_open and not (self.desk.follow or self.solving.busy):
            self.jobs.begin(self._ask, then, group="open")
        elif self.desk.settled and not self.solving.busy:
            self.solving.result()
        else:
            self.solving.solve()

    def _look(self) -> None:
        """Read the session again when its file changed."""
        if self.desk.changed():
            self.jobs.begin(self._read_again, group="open")

    async def _read_again(self) -> None:
        await in_background(self.desk.open)
        self.desk.advice = None  # a touch, which moves the robot, changes no station
        self._changed()

    # ---- showing ---------------------------------------------------------------------------

    def tell(self, text: str, role: str) -> None:
        self.pad.tell(text, role)

    def _changed(self) -> None:
        self.show_session()
        self.solving.quietly()

    def show_session(self, choose: int | None = None) -> None:
        self.headed(*title(self.desk))
        self.show_move()
        self.quality.show(quality(self.desk))
        self.job.show(job(self.desk))
        self.stations.show(self.desk.rows(), self.desk.labels, choose)
        self.show_side()
        for page in self.app.screen_stack:  # a result that lies above, too
            if isinstance(page, Result) and page.is_mounted:
                page.show_again()

    def show_move(self) -> None:
        """Show the next move, which a closing stop planned next makes a closing one."""
        self.actions.close_as_planned()
        brief = caution_read(self.app.settings, self.desk)  # type: ignore[attr-defined]
        self.next_move.show(move(self.desk, self.pad.entry), brief)

    def show_side(self) -> None:
        self.show_facts()
        self.show_pictures()

    def show_facts(self) -> None:
        """Show the chosen station while the list has the focus, else the newest image."""
        row = self.stations.item if self.stations.has_focus else None
        if row is None and self.pad.entry.purpose == "correct":
            rows = self.desk.rows()
            row = next((r for r in rows if r.key == self.pad.entry.station), None)
        facts = station_facts(self.desk, row) if row is not None else self.images.facts()
        self.facts.show(facts)

    def show_pictures(self) -> None:
        """Show the view and the cell where there is room for them."""
        self.app.ask_terminal()  # type: ignore[attr-defined]
        if self.view.size:
            self.jobs.begin(self._show_pictures, group="pictures")

    async def _show_pictures(self) -> None:
        entry, (width, height) = self.pad.entry, self.view.size
        pictures: Pictures = self.app.pictures  # type: ignore[attr-defined]
        blocks = pictures.shown and pictures.drawing is None
        found = await in_background(view, self.desk, entry, width, height - 1, images=blocks)
        graphic = None
        if pictures.shown:
            graphic, _ = await in_background(
                graphic_of, self.desk, entry, None, pictures, self.view.size, self.view.graphic
            )
        self.view.show_graphic(graphic)
        self.view.show(found)
        self.scene.show(await in_background(cell_scene, self.desk))

    def on_resize(self) -> None:
        self.call_after_refresh(self.show_pictures)

    def on_descendant_focus(self) -> None:
        self.show_side()

    def on_chooser_chosen(self) -> None:
        self.show_facts()
        self.refresh_bindings()

    def on_entry_pad_stored(self, message: EntryPad.Stored) -> None:
        at = [n for n, row in enumerate(self.desk.rows()) if row.key == message.station]
        self.show_session(at[0] if at else None)
        self.solving.quietly()

    def on_entry_pad_renewed(self) -> None:
        self.show_move()
        self.show_side()

    def on_pose_edit_block(self, message: PoseEdit.Block) -> None:
        """Show several pasted stations as a table; a pose over several lines is one line."""
        one = self.pad.entry.purpose != "record" or stations_in(self.desk, message.text) < 2
        if one:
            LineEdit.paste(message.edit, message.text)
        else:
            self.action_table(message.text)

    # ---- keys ------------------------------------------------------------------------------

    def action_table(self, text: str = "") -> None:
        self.app.push_screen(Block(self.desk, text), lambda _: self._changed())

    def action_other(self) -> None:
        """Go from the pose line to the list, or back; first leave a planning that lasts."""
        if self.solving.lasting:
            self.solving.leave_planning()
            return
        if not self.stations.has_focus:
            self.stations.focus()
            return
        if self.pad.entry.purpose != "record":
            self.pad.turn_to(Entry())
        self.pad.pose.focus()

    def action_accept(self) -> None:
        """Accept the warnings; with nothing typed yet, take the caution as read."""
        settings = self.app.settings  # type: ignore[attr-defined]
        if self.pad.entry.text.strip() or caution_read(settings, self.desk):
            self.pad.accept()
            return
        keep_caution_read(settings, self.desk)
        self.show_move()
        self.tell("The caution takes one line until tomorrow, or until another operator.", "note")

    def action_copy(self) -> None:
        """Copy a pose to the clipboard of whoever looks on (OSC 52)."""
        row = self.stations.item
        if row is None or not row.fields:
            self.tell("This row has no pose.", "warning")
            return
        self.app.copy_to_clipboard(" ".join(row.fields))
        self.tell(f"Copied: {' '.join(row.fields)}", "good")

    def action_look(self) -> None:
        """Show the image of the chosen station, or of the entry while a pose is typed."""
        row = self.stations.item if self.stations.has_focus else None
        station = row.key if row is not None and row.kind == "recorded" else None
        self.app.push_screen(Look(self.desk, self.pad.entry, station))

    async def action_said(self) -> None:
        """Show all findings of the entry with their remedies, or the keys where there is none."""
        pad = self.pad
        if pad.entry.findings or pad.findings.cut or self.facts.cut() or self.next_move.cut:
            page = Findings(pad.entry.findings, pad.entry.codes, pad.findings.message)
            page.move, page.facts = move(self.desk, pad.entry), self.facts.data
            self.app.push_screen(page)
        else:
            await self.app.run_action("help")

    def action_leave(self) -> None:
        self.desk.close()
        self.dismiss(None)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Leave only the actions that make sense now: for the chosen row, and while following."""
        if self.desk.follow and action in self.CHANGING:
            return False
        if action == "step":
            return not (self.desk.follow and parameters[0] in JobSteps.CHANGING)
        if action == "joints":
            return self.desk.joints_help
        return action != "station" or self.actions.makes_sense(*parameters)
