"""What every test runs in: a configuration of its own, one core, long files first."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from functools import partial
from itertools import count
from typing import Any

import pytest

import tui.memory

# One test, one core: threads of the number libraries only wait for each other, and pytest -n
# fills the other cores. Set before anything loads numpy.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
    os.environ.setdefault(name, "1")
# What a picture held is kept for the next one, in pytest -n's processes and those that tests start.
for name, mebibytes in (("MMAP_THRESHOLD", 32), ("TRIM_THRESHOLD", 512), ("TOP_PAD", 16)):
    os.environ.setdefault(f"MALLOC_{name}_", str(mebibytes << 20))  # glibc reads it as it starts
# Modules are compiled once, also for the programs that tests start: a third of their loading.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# What suits a program of its own does not suit a process of thousands of tests: with the screen's
# settings each array over 128 kB comes from the system anew, page by page.
tui.memory.hold_little = tui.memory.give_back = lambda: None

_COUNT = count(1)
LONGEST_NAME = 60  # characters of a value that names a test


@pytest.fixture(autouse=True)
def own_configuration(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Let no test read or write the configuration of whoever runs it; nor of another test."""
    folder = tmp_path_factory.getbasetemp() / f"config-{next(_COUNT)}"  # made by who writes to it
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(folder))


@pytest.fixture(autouse=True, scope="session")
def answers_kept(
    tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config
) -> Iterator[None]:
    """Work out once per run what many tests ask for: see `made_once`."""
    from made_once import keep_answers

    base = tmp_path_factory.getbasetemp()
    one_of_many = hasattr(pytestconfig, "workerinput")  # a process of pytest -n
    patch = keep_answers((base.parent if one_of_many else base) / "answers")
    yield
    patch.undo()


# Files by the time that they take, the longest first: with pytest -n, one that starts last and
# runs long leaves the other cores idle.
LONG = (
    "test_screen_terminal", "test_offline_install", "test_diagnosis_whole", "test_diagnosis_single",
    "test_plans_pose", "test_screen_session", "test_command_process", "test_screen_recording",
    "test_screen_proof", "test_screen_truth", "test_boards_faults", "test_boards_detect",
    "test_report_html", "test_board_print", "test_plans_expected", "test_simulate_render",
    "test_proof_recheck", "test_screen_cameras", "test_screen_handover", "test_screen_recheck",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests of long files first; the order is the same in every process of a run."""
    place = {name: number for number, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.stem, len(LONG)))


def pytest_collection_finish() -> None:
    """Let the garbage collector pass over what was loaded: it stays, and is half a gigabyte.

    Over nothing else: what a test leaves behind, at which a screen opened or a command began, goes,
    though not at once: a screen that looked through all of it would spend a tenth of its time so.
    """
    gc.freeze()
    gc.freeze = lambda: None
    gc.collect = partial(gc.collect, 1)


def pytest_make_parametrize_id(val: object, argname: str) -> str | None:
    """Name a test by no long text: zip files hold the time, and each process would name another."""
    return argname if isinstance(val, str | bytes) and len(val) > LONGEST_NAME else None


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give a file to one process whole, so that what its tests share is made once."""
    from xdist.scheduler import LoadFileScheduling

    config.option.loadscopereorder = False  # the order is that of LONG
    return LoadFileScheduling(config, log)
