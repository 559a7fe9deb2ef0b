"""Imports go one way; the note path loads nothing it does not need."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import zerobeat

PACKAGE = Path(zerobeat.__file__).parent
# Part -> what it may import besides itself and errors. "app" may import all.
MAY = {
    "errors": set(),
    "midi": set(),
    "tuning": set(),
    "engine": {"midi", "tuning"},
    "config": {"midi", "tuning", "engine"},
    "ports": {"midi", "tuning", "engine"},
    "measure": {"tuning"},
    "sim": {"midi", "tuning"},
}
# Numbers and decisions: no clock, port, thread, log, file or chance.
NEVER_INSIDE = {"time", "threading", "logging", "random", "socket", "select", "rtmidi", "numpy"}
HEAVY = ("numpy", "rich", "mido", "scipy", "sounddevice")
FILES = sorted(
    path for path in PACKAGE.rglob("*.py") if "profiles" not in path.relative_to(PACKAGE).parts
)


def part_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported(path: Path) -> tuple[set[str], set[str]]:
    """Return the parts of the package and the outside modules that a file imports."""
    inside: set[str] = set()
    outside: set[str] = set()
    place = path.relative_to(PACKAGE).parts[:-1]
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            outside |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            outside.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.ImportFrom):
            root = place[: len(place) - node.level + 1]
            names = [node.module] if node.module else [alias.name for alias in node.names]
            inside |= {(*root, *name.split("."))[0] for name in names}
    return inside, outside


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_import_goes_against_the_map(path):
    part = part_of(path)
    inside, outside = imported(path)
    assert "zerobeat" not in outside, "imports inside the package are relative"
    if part in ("tuning", "engine"):
        assert not outside & NEVER_INSIDE
    if part in MAY:
        assert inside - {part, "errors"} <= MAY[part]


def test_every_part_is_on_the_map():
    assert {part_of(path) for path in FILES} - {"__init__", "app"} == set(MAY)


def loaded_by(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return {name.split(".")[0] for name in done.stdout.split()}


@pytest.mark.parametrize("module", ["zerobeat.commands.run", "zerobeat.runtime.runner"])
def test_the_daemon_loads_nothing_heavy(module):
    assert not loaded_by(f"import {module}") & set(HEAVY)


def test_help_loads_no_command():
    loaded = loaded_by("from zerobeat.cli import _top_parser; _top_parser().format_help()")
    assert not loaded & {*HEAVY, "yaml", "rtmidi"}


def test_demo_and_render_need_no_midi_ports():
    """They run where python-rtmidi has no build (M16)."""
    for command in ("demo", "render", "check"):
        assert "rtmidi" not in loaded_by(f"import zerobeat.commands.{command}")


def test_no_module_grows_past_300_lines():
    long = {path.name: n for path in FILES if (n := len(path.read_text().splitlines())) > 300}
    assert not long, "a module with two jobs becomes two"
