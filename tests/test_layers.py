"""Imports go one way; the note path loads nothing it does not need."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import zerobeat

PACKAGE = Path(zerobeat.__file__).parent
# Folder or top-level module -> what it may import besides itself, and a reason where it is not
# plain. A folder within a folder is a part of its own. docs: the map in DEVELOPERS.md.
MAY: dict[str, set[str]] = {
    "errors": set(),
    "text": set(),
    "json_value": set(),
    "midi": set(),
    "runtime_directory": set(),
    "tuning": set(),
    "engine": {"midi", "tuning", "engine.pedals"},
    "engine.pedals": {"midi", "engine"},
    "config": {"tuning", "engine", "engine.pedals"},
    "state": {"config", "engine", "engine.pedals"},
    "ports": {"midi", "runtime_directory"},
    "measure": set(),
    "measure.pitch": {"tuning"},
    "measure.curve": {"tuning", "measure.pitch"},
    "measure.audio": {"tuning", "measure.pitch"},
    "sim": {"midi", "tuning"},
    "client": {"runtime_directory"},
    "console": {"client", "tuning"},
    "page": {"client", "console", "runtime_directory", "tuning"},
    "calibration": {
        "client",
        "config",
        "engine",
        "measure.audio",
        "measure.curve",
        "measure.pitch",
        "tuning",
        "console",  # the one line that shows progress
        "runtime_directory",
        "state",  # a profile is kept without a daemon, too
    },
    "follow": {"client", "config", "engine", "measure.audio", "measure.pitch", "tuning"},
    "runtime": {"config", "engine", "engine.pedals", "midi", "ports", "runtime_directory", "state"},
    "report": {
        "calibration",
        "config",
        "engine",
        "follow",
        "measure.curve",
        "measure.pitch",
        "state",
        "tuning",
    },
    "doctor": {"client", "engine", "origin", "page", "ports"},
    "render": {
        "config",
        "engine",
        "follow",
        "measure.curve",
        "measure.pitch",
        "midi",
        "sim",
        "tuning",
    },
    "release": {"midi", "ports", "runtime_directory"},
    "origin": {""},  # the version
    "cli": {"commands", "origin"},
    "__main__": {"cli"},
}
ANYTHING = {"commands"}
# Numbers and decisions: no clock, port, thread, log, file or chance.
NEVER_INSIDE = {"time", "threading", "logging", "random", "socket", "select", "rtmidi", "numpy"}
HEAVY = ("numpy", "rich", "mido", "scipy", "sounddevice")
FILES = sorted(
    path for path in PACKAGE.rglob("*.py") if "profiles" not in path.relative_to(PACKAGE).parts
)


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


MODULES = {module_of(path) for path in FILES}
FOLDERS = {module.rpartition(".")[0] for module in MODULES} - {""}


def part_of(module: str) -> str:
    """Return the folder of a module, or the module itself at the top."""
    return module if module in FOLDERS else module.rpartition(".")[0] or module


def imported(path: Path) -> tuple[set[str], set[str]]:
    """Return the modules of the package and the outside modules that a file imports."""
    inside: set[str] = set()
    outside: set[str] = set()
    place = path.relative_to(PACKAGE).parts[:-1]
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            outside |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            outside.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.ImportFrom):
            base = place[: len(place) - node.level + 1]
            stem = ".".join([*base, *filter(None, [node.module])])
            for alias in node.names:
                name = f"{stem}.{alias.name}".lstrip(".")
                inside.add(name if name in MODULES or name in FOLDERS else stem)
    return inside, outside


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_import_goes_against_the_map(path):
    module = module_of(path)
    part = part_of(module.removesuffix(".__init__"))
    inside, outside = imported(path)
    assert "zerobeat" not in outside, "imports inside the package are relative"
    if part.split(".")[0] in ("tuning", "engine"):
        assert not outside & NEVER_INSIDE
    if part not in ANYTHING and module != "__init__":
        assert {part_of(other) for other in inside} - {part, "errors", "json_value", "text"} <= MAY[
            part
        ]


def test_every_part_is_on_the_map():
    parts = {part_of(module.removesuffix(".__init__")) for module in MODULES}
    assert parts - {"__init__"} == set(MAY) | ANYTHING


def test_no_circle_between_folders():
    """A folder and the folders within it count as one: engine and its pedalboard part."""
    graph: dict[str, set[str]] = {}
    for part, others in MAY.items():
        graph.setdefault(part.split(".")[0], set()).update(name.split(".")[0] for name in others)
    for part, others in graph.items():
        others.discard(part)
    tuple(TopologicalSorter(graph).static_order())  # raises CycleError


def test_no_module_of_the_engine_imports_in_a_circle():
    """Imports for type checking alone count as well: they are how a circle hides."""
    graph = {
        module_of(path): {name for name in imported(path)[0] if name.startswith("engine")}
        for path in FILES
        if module_of(path).startswith("engine.")
    }
    for module, others in graph.items():  # importing a package runs its __init__, which is empty
        others -= {module, "engine", "engine.pedals"}
    tuple(TopologicalSorter(graph).static_order())  # raises CycleError


def test_no_part_of_the_engine_reaches_through_the_engine():
    for path in FILES:
        if module_of(path).startswith("engine."):
            assert "self._engine" not in path.read_text(), path
            assert "TYPE_CHECKING" not in path.read_text(), path


def test_no_module_name_is_used_twice():
    """Commands are named after what a player types, so they may share a name."""
    names = [m.rpartition(".")[2] for m in MODULES if not m.startswith("commands.")]
    twice = {name for name, n in Counter(names).items() if n > 1} - {"__init__"}
    assert not twice


def loaded_by(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    return {name.split(".")[0] for name in done.stdout.split()}


@pytest.mark.parametrize("module", ["zerobeat.commands.run", "zerobeat.runtime.runner"])
def test_the_daemon_loads_nothing_heavy(module):
    assert not loaded_by(f"import {module}") & {*HEAVY, "tarfile", "statistics"}  # 1 MB each


def test_help_loads_no_command():
    loaded = loaded_by("from zerobeat.cli import _top_parser; _top_parser().format_help()")
    assert not loaded & {*HEAVY, "yaml", "rtmidi"}


def test_demo_and_render_need_no_midi_ports():
    """They run where python-rtmidi has no build (M16)."""
    for command in ("demo", "render", "check"):
        assert "rtmidi" not in loaded_by(f"import zerobeat.commands.{command}")


def test_a_public_name_has_one_meaning():
    """Classes, functions and constants at the top of modules; commands share an interface."""
    interface = {"run", "add_arguments", "main"}
    same_everywhere = {"Floats"}  # NDArray[np.float64], in each module that has arrays
    places: dict[str, list[str]] = {}
    for path in FILES:
        for node in ast.parse(path.read_text()).body:
            names: list[str] = []
            if isinstance(node, ast.ClassDef | ast.FunctionDef):
                names = [node.name]
            elif isinstance(node, ast.Assign):
                names = [target.id for target in node.targets if isinstance(target, ast.Name)]
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                names = [node.target.id]
            for name in set(names) - interface - same_everywhere:
                if not name.startswith("_"):
                    places.setdefault(name, []).append(module_of(path))
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_what_a_module_exports_is_there():
    for path in FILES:
        if "__all__" in path.read_text():
            module = importlib.import_module(f"zerobeat.{module_of(path)}")
            for name in module.__all__:
                assert hasattr(module, name), f"{path}: {name}"
