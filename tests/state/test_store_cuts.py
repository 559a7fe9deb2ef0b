"""Requirement S9: cut at every system call, failing at any, and after a power cut.

A load then gives what was stored before or what was being stored, whole, and
never loses what was acknowledged.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from kit.syscall_faults import Call, disks, record, run, run_cut, run_failing
from zerobeat.errors import StoreError
from zerobeat.state import durable
from zerobeat.state.store import Store

SAVE = """store.save("scenes", "calm", "program: 99\\n"); os.write(1, b"stored")"""
UNDO = """store.undo("scenes", "calm"); os.write(1, b"stored")"""
TRYING = """
try:
    store.save("scenes", "calm", "program: 99\\n")
    print("stored")
except StoreError as error:
    print(error)
store.save("scenes", "calm", "program: 100\\n")
"""


def text(program: int) -> bytes:
    return f"program: {program}\n".encode()


@dataclass(frozen=True)
class StoreCase:
    """What stood there, newest last, and what is done; 99 is a new scene."""

    name: str
    programs: tuple[int, ...]
    lines: str = SAVE
    new: int = 99
    damaged: bool = False  # what was stored last is torn

    @property
    def before(self) -> list[bytes]:
        """What can be loaded or brought back, newest first."""
        known = [text(program) for program in reversed(self.programs)]
        return known[1:] if self.damaged else known


CASES = [
    StoreCase("the first of all", ()),
    StoreCase("the second", (1,)),
    StoreCase("the eighth", (1, 2, 3, 4, 5, 6, 7)),
    StoreCase("undone", (1, 2, 3, 4, 5, 6), UNDO, 5),
    StoreCase("over a torn one", (1, 2, 3), damaged=True),
]
QUICK = ("the first of all", "the eighth", "undone")


def prepare(case: StoreCase, folder: Path) -> Path:
    """Return a new state directory in which the case begins."""
    directory = folder / "state"
    shutil.rmtree(directory, ignore_errors=True)
    store = Store(directory)
    for program in case.programs:
        path = store.save("scenes", "calm", text(program))
    if case.damaged:
        path.write_bytes(path.read_bytes()[:-4])
    return directory


def check(case: StoreCase, directory: Path, acknowledged: bool) -> None:
    """Check what can be loaded now, that no generation is gone, and that stores go on."""
    store = Store(directory)
    new = text(case.new)
    before = case.before[:6]  # what is in use and five generations
    path = store.path("scenes", "calm")
    kept = [f.content for f in map(durable.examine, durable.generations(path)) if f.is_valid]
    if not before and not acknowledged and not kept:
        with pytest.raises(StoreError, match="nothing of that name"):
            store.load("scenes", "calm")
    else:
        newest = store.load("scenes", "calm")
        assert newest.content == new or (newest.content == before[0] and not acknowledged)
        assert bool(newest.warnings) == (case.damaged and newest.content != new)
        expected = before if newest.content != new else [c for c in before if c != new][:5]
        assert set(expected) <= set(kept)
        before = [newest.content]
    store.clean()
    store.save("scenes", "calm", text(100))
    newest = store.load("scenes", "calm")
    assert (newest.content, newest.warnings) == (text(100), ())
    kept = [f.content for f in map(durable.examine, durable.generations(path)) if f.is_valid]
    assert len(kept) == len(set(kept)), "kept twice"
    files = [file.name for file in path.parent.iterdir()]
    assert not any(name.endswith(".tmp") for name in files) and "calm.6.yaml" not in files
    if before:
        store.undo("scenes", "calm")
        assert store.load("scenes", "calm").content == before[0]


# ---------------------------------------------------------------- killed


@pytest.mark.parametrize(
    "case",
    [pytest.param(case, marks=[] if case.name in QUICK else pytest.mark.slow) for case in CASES],
    ids=lambda case: case.name,
)
def test_killed_at_every_call_that_changes_something(case, tmp_path):
    directory = prepare(case, tmp_path)
    calls = record(case.lines, directory)
    assert {"openat", "write", "fsync", "renameat"} <= {call.name for call in calls}
    check(case, directory, acknowledged=True)
    for call in calls:
        if not call.changes:
            continue  # cut there, things are as the call before left them
        directory = prepare(case, tmp_path)
        said = run_cut(case.lines, directory, call)
        check(case, directory, acknowledged="stored" in said)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_killed_at_every_system_call(case, tmp_path):
    directory = prepare(case, tmp_path)
    for call in record(case.lines, directory, ("all",)):
        if call.name in ("exit_group", "exit"):
            continue
        directory = prepare(case, tmp_path)
        said = run_cut(case.lines, directory, call)
        check(case, directory, acknowledged="stored" in said)


# ---------------------------------------------------------------- power cut


@pytest.mark.parametrize("case", CASES[1:], ids=lambda case: case.name)
def test_after_a_power_cut_nothing_acknowledged_is_lost(case, tmp_path):
    """A model of a disk that keeps names in order, and no bytes but those waited for."""
    calls = record(case.lines, prepare(case, tmp_path))
    folder = prepare(case, tmp_path) / "scenes"
    states = disks(calls, folder, ordered=True)
    assert len(states) > 5 and said_by(calls)
    for number, files in states:
        shutil.rmtree(folder)
        folder.mkdir()
        for name, content in files.items():
            (folder / name).write_bytes(content)
        check(case, folder.parent, said_by(calls[:number]))


@pytest.mark.parametrize("case", CASES[1:], ids=lambda case: case.name)
def test_a_power_cut_on_a_disk_without_order_leaves_the_newest_and_the_one_before(case, tmp_path):
    """As above, but any change of a name since the last wait may be missing.

    Generations before those two may be lost there.
    """
    calls = record(case.lines, prepare(case, tmp_path))
    folder = prepare(case, tmp_path) / "scenes"
    for number, files in disks(calls, folder, ordered=False):
        shutil.rmtree(folder)
        folder.mkdir()
        for name, content in files.items():
            (folder / name).write_bytes(content)
        store = Store(folder.parent)
        content = store.load("scenes", "calm").content
        acknowledged = said_by(calls[:number])
        assert content == text(case.new) or (content == case.before[0] and not acknowledged)
        path = store.path("scenes", "calm")
        kept = [f.content for f in map(durable.examine, durable.generations(path)) if f.is_valid]
        assert case.before[0] in kept


def said_by(calls: list[Call]) -> bool:
    return any(call.says for call in calls)


# ---------------------------------------------------------------- failing


@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_a_call_that_fails_costs_one_line_and_nothing_stored(error, tmp_path):
    case = StoreCase("failing", (1, 2, 3, 4, 5, 6))
    calls = record(TRYING, prepare(case, tmp_path))
    calls = calls[: next(i for i, call in enumerate(calls) if call.says)]
    told = {"EIO": "the card or disk fails", "ENOSPC": "free some space"}[error]
    lines = []
    for call in calls:
        if not call.changes:
            continue
        directory = prepare(case, tmp_path)
        said = run_failing(TRYING, directory, call, error)
        store = Store(directory)
        # The second try, in the same process, went through.
        assert store.load("scenes", "calm").content == text(100)
        store.undo("scenes", "calm")
        before = store.load("scenes", "calm").content
        assert before == text(99) or (before == text(6) and said != "stored\n")
        lines.append(said)
    refused = [line for line in lines if line != "stored\n"]
    assert len(refused) >= 5
    for line in refused:
        assert line.count("\n") == 1 and f"{tmp_path}/state/scenes/calm.yaml: not stored: " in line
        assert told in line


def test_on_a_file_system_without_links_generations_are_copied(tmp_path):
    directory = prepare(StoreCase("copied", (1, 2)), tmp_path)
    options = ("-e", "trace=linkat", "-e", "inject=linkat:error=EPERM", "-o", "/dev/null")
    assert run(SAVE, directory, *options).stdout == "stored"
    path = directory / "scenes" / "calm.yaml"
    kept = [durable.examine(durable.generation(path, number)) for number in range(3)]
    assert [(file.state, file.content) for file in kept] == [
        ("whole", text(99)),
        ("whole", text(2)),
        ("whole", text(1)),
    ]
