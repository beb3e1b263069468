"""What every test runs in: a configuration of its own, one core, long files first."""

from __future__ import annotations

import os
from itertools import count

import pytest

# One test, one core: threads of the number libraries only wait for each other, and pytest -n
# fills the other cores. Set before anything loads numpy.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
    os.environ.setdefault(name, "1")

_COUNT = count(1)


@pytest.fixture(autouse=True)
def own_configuration(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Let no test read or write the configuration of whoever runs it; nor of another test."""
    folder = tmp_path_factory.getbasetemp() / f"config-{next(_COUNT)}"  # made by who writes to it
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(folder))
