"""Marks of what sounds, in a mapped file in the runtime directory that survives a crash.

A note is marked before its note-on leaves and cleared after its note-off, so
after a crash the file lists every note that may still sound. Marking is one
store into memory; no system call, no wait for a disk.

Layout: 64 bytes of name for each of 16 outputs, then 2,048 bytes for each
(16 channels of 128 notes), 1 where a note sounds.
"""

from __future__ import annotations

import json
import mmap
import os
from collections.abc import Iterable
from pathlib import Path

MIRROR_FILE = "sounding"
OUTPUTS_FILE = "outputs"
OUTPUTS = 16
NAME_BYTES = 64
NOTES = 16 * 128
SIZE = OUTPUTS * (NAME_BYTES + NOTES)


def write_outputs(folder: Path, outputs: Iterable[tuple[str, str, bool]]) -> None:
    """Write beside the mirror which device each output plays to, for the stop helper.

    Args:
        folder: the runtime directory; it is in memory, not on a disk.
        outputs: name, port and whether the port is a pattern.
    """
    path = folder / OUTPUTS_FILE
    temporary = path.with_suffix(".tmp")
    temporary.write_text(json.dumps([list(output) for output in outputs]))
    temporary.replace(path)


def read_outputs(folder: Path) -> list[tuple[str, str, bool]]:
    """Return what ``write_outputs`` wrote; nothing if it can't be read."""
    try:
        listed = json.loads((folder / OUTPUTS_FILE).read_text())
        return [(str(name), str(port), bool(pattern)) for name, port, pattern in listed]
    except (OSError, ValueError, TypeError):
        return []


class Mirror:
    """The marks of what sounds.

    Args:
        folder: the runtime directory.
        outputs: the rig's output names; at most 16.

    Attributes:
        left: what an earlier process left sounding, by output name, as
            (channel, note). It stays marked until a note-off has been sent.
    """

    def __init__(self, folder: Path, outputs: Iterable[str]) -> None:
        path = folder / MIRROR_FILE
        self.left = read_left(path)
        file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        os.ftruncate(file, SIZE)
        self._map = mmap.mmap(file, SIZE)
        os.close(file)
        self._map[:] = bytes(SIZE)
        self._places: dict[str, int] = {}
        self.replace(outputs)
        for name, notes in self.left.items():
            self._place(name)
            for channel, note in notes:
                self.mark(name, channel, note)

    def replace(self, outputs: Iterable[str]) -> None:
        """Give each output of a rig its place; those that have one keep it."""
        for name in outputs:
            self._place(name)

    def _place(self, name: str) -> None:
        number = len(self._places)
        if name in self._places or number >= OUTPUTS:
            return
        start = number * NAME_BYTES
        self._map[start : start + NAME_BYTES] = name.encode()[:NAME_BYTES].ljust(NAME_BYTES, b"\0")
        self._places[name] = OUTPUTS * NAME_BYTES + number * NOTES

    def mark(self, output: str, channel: int, note: int) -> None:
        """Mark a note, before its note-on is sent."""
        place = self._places.get(output)
        if place is not None:
            self._map[place + channel * 128 + note] = 1

    def clear(self, output: str, channel: int, note: int) -> None:
        """Clear a note, after its note-off has left."""
        place = self._places.get(output)
        if place is not None:
            self._map[place + channel * 128 + note] = 0

    def close(self) -> None:
        self._map.close()


def read_left(path: Path) -> dict[str, list[tuple[int, int]]]:
    """Return what a mirror file lists, by output name; nothing if there is no whole file."""
    try:
        content = path.read_bytes()
    except OSError:
        return {}
    if len(content) != SIZE:
        return {}
    left: dict[str, list[tuple[int, int]]] = {}
    for number in range(OUTPUTS):
        name = content[number * NAME_BYTES : (number + 1) * NAME_BYTES].rstrip(b"\0")
        start = OUTPUTS * NAME_BYTES + number * NOTES
        marks = content[start : start + NOTES]
        notes = [divmod(at, 128) for at, mark in enumerate(marks) if mark]
        if name and notes:
            left[name.decode("utf-8", "replace")] = notes
    return left
