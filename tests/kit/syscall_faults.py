"""A process cut at any system call, and what a power cut then leaves on the disk.

``record`` runs a few lines of Python under strace and lists the calls they
make. ``run_cut`` runs them again and kills the process as it enters one of
those calls; ``run_failing`` lets one of them fail instead. ``disks`` plays the
calls on a model of a disk that forgets what was not waited for.
"""

from __future__ import annotations

import itertools
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pytest

BEGIN = "/zerobeat-begins"
CHANGING = (
    "openat",
    "write",
    "fsync",
    "close",
    "mkdir",
    "mkdirat",
    "rename",
    "renameat",
    "renameat2",
    "link",
    "linkat",
    "unlink",
    "unlinkat",
    "rmdir",
)
_HEAD = f"""\
import os, sys
from pathlib import Path
from zerobeat.state.store import Store
from zerobeat.errors import StoreError
directory = Path(sys.argv[1])
store = Store(directory)
os.path.exists({BEGIN!r})
try:
    os.open({BEGIN!r}, os.O_RDONLY)
except OSError:
    pass
"""
_CALL = re.compile(r"(?:\d+ +)?([a-z_0-9]+)\((.*)")


@dataclass(frozen=True)
class Call:
    """The ``number``-th call of a name in the life of the process, from 1."""

    name: str
    number: int
    line: str = field(compare=False)

    @property
    def changes(self) -> bool:
        """False for a call that leaves the disk, and what was said, as they were."""
        opens = self.name == "openat" and "O_CREAT" not in self.line
        return not opens and self.name != "close" and " = -1 " not in self.line

    @property
    def says(self) -> bool:
        """True for a write to the standard output."""
        return self.name == "write" and "write(1<" in self.line

    def __str__(self) -> str:
        return f"{self.name}-{self.number}"


@cache
def why_not() -> str:
    """Return why no process can be cut here; "" if one can."""
    if shutil.which("strace") is None:
        return "no strace"
    done = subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True, text=True)
    return "" if done.returncode == 0 else f"strace: {done.stderr.strip()[:80]}"


def run(lines: str, directory: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run Python lines that know ``store`` and ``directory``, under strace."""
    if why_not():
        pytest.skip(why_not())
    python = [sys.executable, "-B", "-c", _HEAD + lines, str(directory)]
    command = ["strace", "-f", "--quiet=all", *options, *python]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def record(lines: str, directory: Path, names: tuple[str, ...] = CHANGING) -> list[Call]:
    """Return the calls that lines make, in order, once they have begun."""
    # Once outside, so that each run under strace finds the same compiled modules.
    subprocess.run([sys.executable, "-c", _HEAD, str(directory)], check=True)
    log = directory.parent / "calls"
    traced = "all" if names == ("all",) else ",".join(names)
    done = run(
        lines, directory, "-y", "-xx", "-s", "1000000", "-e", f"trace={traced}", "-o", str(log)
    )
    assert done.returncode == 0, done.stderr
    counts: dict[str, int] = {}
    calls, begun = [], False
    begin = "".join(f"\\x{byte:02x}" for byte in BEGIN.encode())
    for line in log.read_text().splitlines():
        match = _CALL.match(line)
        if match is None:
            continue
        name = match[1]
        counts[name] = counts.get(name, 0) + 1
        if begun:
            calls.append(Call(name, counts[name], line))
        begun = begun or (name == "openat" and begin in line)
    assert begun and calls
    return calls


def run_cut(lines: str, directory: Path, call: Call) -> str:
    """Kill a process as it enters a call; return what it had said before."""
    log = directory.parent / "cut"
    inject = f"inject={call.name}:signal=KILL:when={call.number}"
    done = run(lines, directory, "-e", f"trace=openat,{call.name}", "-e", inject, "-o", str(log))
    assert done.returncode != 0 and BEGIN in log.read_text(), f"not cut at {call}: {done.stderr}"
    return done.stdout


def run_failing(lines: str, directory: Path, call: Call, error: str) -> str:
    """Let one call fail with an error such as ``EIO``; return what was said."""
    inject = f"inject={call.name}:error={error}:when={call.number}"
    done = run(lines, directory, "-e", f"trace={call.name}", "-e", inject, "-o", os.devnull)
    assert done.returncode == 0, done.stderr
    return done.stdout


# ---------------------------------------------------------------- a disk that forgets

Change = tuple[str, str, str, int]  # what, a name, another name, inode
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_PATH = re.compile(r"<((?:\\x[0-9a-f]{2}|[^>\\])*)>")


def _text(match: str) -> bytes:
    return re.sub(rb"\\x([0-9a-f]{2})", lambda m: bytes([int(m[1], 16)]), match.encode())


class DiskModel:
    """One folder: names and bytes that are surely kept, and changes that may be.

    A change of names is sure after an fsync of the folder, bytes are after an
    fsync of the file. Before that each change is kept or not.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        files = sorted(folder.iterdir()) if folder.is_dir() else []
        by_inode = {file.stat().st_ino: file.read_bytes() for file in files}
        self.names = {file.name: file.stat().st_ino for file in files}
        self.now = dict(self.names)
        self.sure = dict(by_inode)
        self.content = dict(by_inode)
        self.pending: list[Change] = []

    def play(self, call: Call) -> None:
        """Do what a line of strace says; calls about other folders are passed over."""
        if " = -1 " in call.line:
            return
        strings = [_text(match) for match in _STRING.findall(call.line)]
        paths = [_text(match).decode() for match in _PATH.findall(call.line)]
        folder = str(self.folder)
        if call.name == "fsync" and paths == [folder]:
            self.names, self.pending = dict(self.now), []
        elif (
            call.name in ("write", "fsync")
            and not call.says
            and os.path.dirname(paths[0]) == folder
        ):
            inode = self.now[os.path.basename(paths[0])]
            if call.name == "write":
                self.content[inode] += strings[0]
            else:
                self.sure[inode] = self.content[inode]
        elif paths and paths[0] == folder and strings:
            self._rename(call, *(string.decode() for string in strings))

    def _rename(self, call: Call, name: str, other: str = "") -> None:
        if call.name == "openat" and "O_CREAT" in call.line:
            inode = -1 - len(self.content)
            self.content[inode] = b""
            self._change(("create", name, "", inode))
        elif call.name in ("renameat", "renameat2", "linkat", "unlinkat"):
            self._change((call.name.removesuffix("2"), name, other, self.now[name]))

    def _change(self, change: Change) -> None:
        self.pending.append(change)
        _apply(self.now, change)

    def kept(self, ordered: bool) -> Iterator[dict[str, bytes]]:
        """Yield each folder that a power cut may leave now.

        Args:
            ordered: changes of names reach the disk in order, as on a file
                system with a journal; else any of them may.
        """
        count = len(self.pending)
        chosen: Iterator[tuple[Change, ...]]
        if ordered:
            chosen = (tuple(self.pending[:n]) for n in range(count + 1))
        else:
            sets = (itertools.combinations(self.pending, n) for n in range(count + 1))
            chosen = itertools.chain.from_iterable(sets)
        for changes in chosen:
            names = dict(self.names)
            for change in changes:
                _apply(names, change)
            unsure = [i for i in set(names.values()) if self.sure.get(i) != self.content[i]]
            for torn in itertools.product(range(4), repeat=len(unsure)):
                contents = {
                    **self.content,
                    **{i: _torn(self.content[i], how) for i, how in zip(unsure, torn, strict=True)},
                }
                yield {name: contents[inode] for name, inode in names.items()}


def _apply(names: dict[str, int], change: Change) -> None:
    what, name, other, inode = change
    if what in ("renameat", "unlinkat") and names.get(name) == inode:
        del names[name]
    if what in ("renameat", "linkat"):
        names[other] = inode
    if what == "create":
        names[name] = inode


def _torn(content: bytes, how: int) -> bytes:
    return (content, b"", content[: len(content) // 2], bytes(len(content)))[how]


def disks(calls: list[Call], folder: Path, ordered: bool) -> list[tuple[int, dict[str, bytes]]]:
    """Return each folder that a power cut during the calls may leave, and after how many calls.

    Args:
        folder: as it was before the calls.
    """
    disk = DiskModel(folder)
    left: list[tuple[int, dict[str, bytes]]] = []
    seen: set[tuple[bool, frozenset[tuple[str, bytes]]]] = set()
    for number, call in enumerate(calls, 1):
        disk.play(call)
        said = any(c.says for c in calls[:number])
        for names in disk.kept(ordered):
            key = (said, frozenset(names.items()))
            if key not in seen:
                seen.add(key)
                left.append((number, names))
    return left
