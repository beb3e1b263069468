"""The engine knows nothing of the screen, and the command line starts without heavy imports."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
# The order in which a newcomer reads the engine; a part imports only from parts before it.
ORDER = [
    "errors",
    "cautions",
    "files",
    "catalogue",
    "findings",
    "arrays",
    "tails",
    "frames",
    "pendant",
    "robots",
    "camera",
    "boards",
    "cell",
    "images",
    "depth",
    "sessions",
    "estimate",
    "simulate",
    "checks",
    "plans",
    "diagnosis",
    "proof",
    "report",
    "plant",
    "steps",
    "api",
]


def engine_modules() -> list[Path]:
    return sorted((ROOT / "engine").rglob("*.py"))


def part_of(path: Path) -> str:
    return path.relative_to(ROOT / "engine").parts[0].removesuffix(".py")


def imported_parts(path: Path) -> set[str]:
    """Return the engine parts that a module imports, from its relative imports."""
    depth = len(path.relative_to(ROOT / "engine").parts)
    parts = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level == depth:
            parts |= {(node.module or "").split(".")[0]} if node.module else set()
            parts |= set() if node.module else {alias.name for alias in node.names}
    return parts


@pytest.mark.parametrize("path", engine_modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_engine_module_imports_only_from_earlier_parts(path: Path) -> None:
    own = part_of(path)
    if own == "__init__":
        return
    later = {part for part in imported_parts(path) if ORDER.index(part) > ORDER.index(own)}
    assert later == set(), f"{path.name} of {own} imports from {later}"


def test_no_module_of_the_engine_names_one_that_names_it() -> None:
    named: dict[str, set[str]] = {}
    for path in engine_modules():
        package = path.relative_to(ROOT).with_suffix("").parts[:-1]
        named[".".join((*package, path.stem))] = {
            ".".join((*package[: len(package) + 1 - node.level], node.module or alias.name))
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.ImportFrom) and node.level
            for alias in node.names
        }
    assert "engine.cell.mount" in named["engine.cell.result"]
    left = dict(named)  # without those that name none which is left, until none of them is
    while done := {module for module, others in left.items() if not others & left.keys()}:
        left = {module: others for module, others in left.items() if module not in done}
    assert not left


@pytest.mark.parametrize("part", ["estimate", "checks", "plans", "diagnosis"])
def test_what_calculates_reads_no_file_of_a_session(part: str) -> None:
    modules = [path for path in engine_modules() if part_of(path) == part]
    reading = [path.name for path in modules if "sessions" in imported_parts(path)]
    assert modules
    assert reading == []


@pytest.mark.parametrize("path", engine_modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_engine_never_imports_the_screen(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert not {n.split(".")[0] for n in names} & {"tui", "textual", "rich"}


@pytest.mark.parametrize(("folder", "other"), [("commands", "desk"), ("desk", "commands")])
def test_commands_and_the_desk_of_the_screen_do_without_each_other(folder: str, other: str) -> None:
    paths = set((ROOT / "tui" / folder).glob("*.py")) - {ROOT / "tui/commands/screen.py"}
    nodes = [n for path in paths for n in ast.walk(ast.parse(path.read_text(encoding="utf-8")))]
    names = [node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)]
    assert "output" in names
    assert not [name for name in names if name.split(".")[0] == other]


def loaded_by(code: str) -> set[str]:
    script = f"{code}\nimport sys; print(' '.join(sys.modules))"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(run.stdout.split())


def test_help_loads_no_heavy_library() -> None:
    loaded = loaded_by(
        "import contextlib, io\nfrom tui.main import main\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):\n"
        "    main(['--help'])"
    )
    assert loaded.isdisjoint({"cv2", "scipy", "numpy", "yaml", "textual", "matplotlib"})


def test_what_libraries_read_while_they_are_loaded_is_set_before() -> None:
    names = ("OPENBLAS_NUM_THREADS", "TEXTUAL_FPS")  # one thread, and no wait between two pictures
    code = f"import os; [os.environ.pop(n, None) for n in {names}]; import tui.main, sys"
    said = subprocess.run(
        [sys.executable, "-c", f"{code}; print(*(os.environ[n] for n in {names}), *sys.modules)"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert said[:2] == ["1", "240"]
    assert {"numpy", "textual"}.isdisjoint(said)


def test_the_first_pictures_load_no_heavy_library() -> None:
    loaded = loaded_by("import tui.commands.screen")
    assert {"tui.screens.opening", "tui.screens.sessions", "textual"} <= loaded
    assert loaded.isdisjoint({"cv2", "scipy", "numpy", "matplotlib"})


def test_every_engine_module_loads_without_textual() -> None:
    names = [
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for path in engine_modules()
    ]
    loaded = loaded_by("\n".join(f"import {name}" for name in names))
    assert "engine.steps.recording" in loaded
    assert loaded.isdisjoint({"textual", "rich", "tui"})
