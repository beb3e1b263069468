"""Jobs in the background, and small questions on top of a screen."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Coroutine
from functools import partial, wraps
from typing import Any, ClassVar, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.dom import DOMNode
from textual.screen import ModalScreen, Screen
from textual.worker import Worker, active_worker

from engine.errors import StationbookError

from ..desk.kept import Kept
from ..desk.views import Title
from ..output import unexpected
from ..widgets.line_edit import LineEdit
from ..widgets.panels import KeyLine, TitleLine
from ..widgets.sheet import Paragraph

_WORD = re.compile(r"[a-z]+[ ,]")
KEEP_PAUSE = 0.25  # s without a key before half a line is kept: a hand rests about that long

Answer = TypeVar("Answer")
Tell = Callable[[str, str], None]  # says a text in a role
Work = Callable[..., Coroutine[Any, Any, None]]
Check = Callable[[str], str | None]  # what is wrong with a text, or None


def sentence(text: str) -> str:
    """Return a text as a sentence; what begins with a name, of a file or a finding, keeps it."""
    return text[:1].upper() + text[1:] if _WORD.match(text) else text


class Jobs:
    """The jobs of one screen or widget, and the questions that it asks.

    An error of a job is told by ``tell`` and ends nothing but the job. A part of a screen gets the
    jobs of the screen instead of the screen.
    """

    def __init__(self, node: DOMNode, tell: Tell) -> None:
        self.node, self.tell = node, tell

    def begin(self, work: Work, *args: Any, group: str, exclusive: bool = True) -> None:
        """Run ``work`` as a job of ``group``; ``exclusive`` stops one that runs there already."""
        job: Callable[[], Coroutine[None, None, None]] = partial(self._guarded, work, *args)
        _: Worker[None] = self.node.run_worker(job, group=group, exclusive=exclusive)

    async def _guarded(self, work: Work, *args: Any) -> None:
        try:
            await work(*args)
        except StationbookError as error:
            self.tell(sentence(str(error)), "error")

    def stop(self, group: str) -> None:
        self.node.workers.cancel_group(self.node, group)

    def ask(self, question: Screen[Answer], then: Callable[[Any], object]) -> None:
        """Ask on top of the screen; ``then`` gets the answer, unless it is None or no."""

        def answered(answer: Answer | None) -> None:
            if answer is not None and answer is not False:
                then(answer)

        self.node.app.push_screen(question, answered)


def as_job(group: str) -> Callable[[Work], Callable[..., None]]:
    """Let a method of what has ``jobs`` run as a job of ``group`` wherever it is called."""

    def made(work: Work) -> Callable[..., None]:
        @wraps(work)
        def begun(self: Any, *args: Any, **more: Any) -> None:
            self.jobs.begin(partial(work, self, *args, **more), group=group)

        return begun

    return made


async def in_background(work: Callable[..., Answer], *args: Any, **more: Any) -> Answer:
    """Run ``work`` in a thread and return its answer.

    Raises StationbookError: what nobody foresaw is written to the error log first, so that it can
    be sent to whoever supports this machine. The job ends here if its screen was left meanwhile.
    """
    try:
        return await asyncio.to_thread(work, *args, **more)
    except StationbookError:
        raise
    except Exception as error:
        raise StationbookError(unexpected(error)) from error
    finally:
        _end_if_gone()


async def pause(seconds: float) -> None:
    """Wait; the job ends here if its screen was left meanwhile."""
    await asyncio.sleep(seconds)
    _end_if_gone()


async def save_soon(save: Callable[[], None]) -> None:
    """Write what is typed when the hand rests: it survives a cut line and a killed program."""
    await pause(KEEP_PAUSE)
    await in_background(save)


class Working(Screen[Answer]):
    """A screen between a title and the keys that act now, with jobs in the background.

    What these say stands in its paragraph ``said``.
    """

    def __init__(self) -> None:
        super().__init__()
        self.jobs = Jobs(self, self.tell)
        self.title_line = TitleLine(id="title")

    def compose(self) -> ComposeResult:
        yield self.title_line
        yield from self.parts()
        yield KeyLine(id="keys")

    def parts(self) -> ComposeResult:
        """Yield what stands between title and keys."""
        yield from ()

    def headed(self, name: str, right: str = "") -> None:
        self.title_line.show(Title(name, right))

    def tell(self, text: str, role: str) -> None:
        self.query_one("#said", Paragraph).show(text, role)


class Halves(DOMNode):
    """Keeps the lines of a screen that were typed and not stored, however the screen is left.

    They are there when it is opened again: in the same session, or in any where none is open.
    """

    HALF = ""  # the screen's name among what is kept
    jobs: Jobs
    kept: Kept

    def on_mount(self) -> None:
        """Type again what was typed before."""
        desks = [page.desk for page in self.app.screen_stack if hasattr(page, "desk")]
        self.kept = desks[-1].kept if desks else self.app.half_typed  # type: ignore[attr-defined]
        self._first = {edit.id: edit.value for edit in self.query(LineEdit)}
        half = self.kept.under(self.HALF)
        for edit in self.query(LineEdit):
            if text := half.get(str(edit.id)):
                edit.set(text)
                edit.proposed = text in edit.choices

    def on_line_edit_changed(self, message: LineEdit.Changed) -> None:
        edit = message.edit
        text = message.value if message.value != self._first.get(edit.id) else ""
        self.kept.put(f"{self.HALF}/{edit.id}", text)
        self.jobs.begin(save_soon, self.kept.save, group="half")

    def on_unmount(self) -> None:
        self.kept.save()

    def taken(self) -> None:
        """Forget what was typed: it is stored."""
        self.kept.put_under(self.HALF, {})


def _end_if_gone() -> None:
    """End this job if its widget is being taken away: parts that it would show are gone before."""
    worker = active_worker.get(None)
    if worker is not None and not worker.node.display:
        raise asyncio.CancelledError


class Ask(Halves, ModalScreen[str | None]):
    """Ask for one line of text. The answer is the text, or None after Esc.

    What was typed and not answered is there when the same is asked again. ``value`` is a proposal
    that typing replaces, unless it is to be ``edited``.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss", "leave", id="ask.leave", tooltip="Close without an answer"),
    ]

    def __init__(
        self,
        title: str,
        text: str = "",
        value: str = "",
        check: Check | None = None,
        *,
        edited: bool = False,
    ) -> None:
        super().__init__()
        self.asked, self.text, self.value, self.check = title, text, value, check
        self.edited, self.HALF = edited, f"ask/{title}"
        self.jobs = Jobs(self, self.tell)

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Paragraph(self.asked, "title")
            yield Paragraph(self.text)
            edit = LineEdit(self.value, id="answer")
            edit.proposed = bool(self.value) and not self.edited
            yield edit
            yield Paragraph("", "warning", id="problem")
            yield KeyLine()

    def tell(self, text: str, role: str) -> None:
        self.query_one("#problem", Paragraph).show(text, role)

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        """Answer, unless the check has something against it."""
        problem = self.check(message.value) if self.check else None
        if problem is None:
            self.taken()
            self.dismiss(message.value)
        else:
            self.tell(problem, "warning")


class Confirm(ModalScreen[bool]):
    """Ask before something would be lost: y does it, n and Esc don't."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "dismiss(True)", "yes", id="confirm.yes", tooltip="Do it"),
        Binding("n", "dismiss(False)", "no", id="confirm.no", tooltip="Leave it as it is"),
        Binding("escape", "dismiss(False)", "no", show=False, id="confirm.leave", tooltip="No"),
    ]

    def __init__(self, title: str, text: str):
        super().__init__()
        self.asked, self.text = title, text

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Paragraph(self.asked, "title")
            yield Paragraph(self.text)
            yield KeyLine()


def required(text: str) -> str | None:
    return None if text.strip() else "Type a few words, or Esc to leave."
