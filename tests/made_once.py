"""What tests ask for again and again is worked out once per run: plans, solved sessions, boards.

These functions of the engine are pure but for the random numbers that one of them draws (whoever
asks it draws no more of them), and take a tenth to a whole second. The first answer to a
question is kept in the folder of the run, where every process of the run finds it; whoever asks the
same again gets a copy of its own. A question is what the arguments hold, to the last bit.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest

# (module, function) as the steps of the job name them. What tests call at its own place runs.
ASKED_OFTEN = (
    ("engine.steps.planning", "make_plan"),
    ("engine.steps.solve", "diagnosed"),
    ("engine.steps.solve", "diagnosed_together"),
    ("engine.steps.recheck", "diagnosed"),
    ("engine.steps.proving", "diagnosed"),
    ("engine.steps.station_image", "detect"),
    ("engine.simulate.virtual_cell", "default_stations"),
    ("engine.report.report_html", "residual_picture"),
    ("engine.report.report_html", "scene_picture"),
    ("engine.report.report_html", "coverage_picture"),
    ("engine.report.report_html", "course_picture"),
    ("engine.report.report_html", "volume_picture"),
    ("photographs", "detect"),
    ("plan_world", "make_plan"),
    ("erring_arm", "make_plan"),
)
NOT_ASKED = "source"  # of a camera: where images come from changes none of these answers


def keep_answers(folder: Path) -> pytest.MonkeyPatch:
    """Let the functions of `ASKED_OFTEN` keep their answers in ``folder``; undo it at the end."""
    folder.mkdir(exist_ok=True)
    patch = pytest.MonkeyPatch()
    for module, name in ASKED_OFTEN:
        function = functools.reduce(getattr, module.split(".")[1:], __import__(module))
        patch.setattr(f"{module}.{name}", once(getattr(function, name), folder))
    return patch


def once(function: Callable[..., Any], folder: Path) -> Callable[..., Any]:
    """Return ``function`` that answers the same question from ``folder`` the second time."""

    @functools.wraps(function)
    def asked(*args: Any, **more: Any) -> Any:
        if not os.access(folder, os.W_OK):  # a test that gave up its rights
            return function(*args, **more)
        question = hashlib.sha256(function.__qualname__.encode())
        try:
            for part in _parts((args, more)):
                question.update(part)
        except TypeError:  # holds something that is more than its content
            return function(*args, **more)
        kept = folder / question.hexdigest()
        if not kept.exists():
            answer = pickle.dumps(function(*args, **more))
            aside = kept.with_suffix(f".{os.getpid()}-{id(answer)}")
            aside.write_bytes(answer)
            aside.replace(kept)  # whole or not at all, also where two processes ask at once
        return pickle.loads(kept.read_bytes())

    return asked


def _parts(item: Any) -> Iterator[bytes]:
    """Yield what ``item`` holds, so that different contents never yield the same."""
    if is_dataclass(item):
        yield type(item).__qualname__.encode()
        item = [getattr(item, f.name) for f in fields(item) if f.name != NOT_ASKED]
    if isinstance(item, np.ndarray):
        yield f"array {item.dtype} {item.shape} ".encode()
        yield item.tobytes()
    elif isinstance(item, Mapping):
        yield from _parts(list(item.items()))
    elif isinstance(item, list | tuple):
        yield f"({len(item)} ".encode()
        for part in item:
            yield from _parts(part)
    elif isinstance(item, frozenset):
        yield from _parts(sorted(item))
    elif isinstance(item, np.random.Generator):
        yield from _parts(item.bit_generator.state)
    elif item is None or isinstance(item, str | bytes | int | float | Enum | Path | np.generic):
        yield f"{type(item).__name__} {item!r} ".encode()
    else:
        raise TypeError(type(item))
