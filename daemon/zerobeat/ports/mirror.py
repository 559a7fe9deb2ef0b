"""Marks of what sounds, in a mapped file in the runtime directory that survives a crash.

A note is marked before its note-on leaves, and its mark is cleared once its note-off has
surely left: on JACK a message waits in a buffer until the server's next periods. So after a
crash the file lists every note that may still sound; one may be released twice, none is
forgotten. Marking is one store into memory: no system call, no wait for a disk.

Layout: 64 bytes of key for each of 16 outputs, then 2,048 bytes for each (16 channels of 128
notes), 1 where a note sounds. The key is the output's name in UTF-8, or a digest of a name
that is longer.
"""

from __future__ import annotations

import errno
import hashlib
import json
import mmap
import os
import stat
from collections.abc import Iterable
from pathlib import Path

MIRROR_FILE = "sounding"
OUTPUTS_FILE = "outputs"
OUTPUTS = 16
KEY_BYTES = 64
NOTES = 16 * 128
MARKS = OUTPUTS * KEY_BYTES  # place of the first
SIZE = MARKS + OUTPUTS * NOTES
LARGEST_LIST = 1_000_000


def write_outputs(folder: Path, outputs: Iterable[tuple[str, str, bool]]) -> None:
    """Write beside the mirror which device each output plays to, for the stop helper.

    Args:
        folder: the runtime directory; it is in memory, not on a disk.
        outputs: name, port and whether the port is a pattern.

    Raises:
        OSError: the folder has gone, or is full.
    """
    path = folder / OUTPUTS_FILE
    temporary = path.with_suffix(".tmp")
    temporary.write_text(json.dumps([list(output) for output in outputs]))
    temporary.replace(path)


def read_outputs(folder: Path) -> list[tuple[str, str, bool]]:
    """Return what ``write_outputs`` wrote; nothing if it can't be read."""
    try:
        listed = json.loads(_content(folder / OUTPUTS_FILE, LARGEST_LIST))
        outputs = [(str(name), str(port), bool(pattern)) for name, port, pattern in listed]
        json.dumps(outputs, ensure_ascii=False).encode()  # refuses half a surrogate pair
        return outputs
    except (OSError, ValueError, TypeError, RecursionError):
        return []


def key_of(output: str) -> str:
    """Return the key of an output's marks: its name, or a digest of a longer one."""
    name = output.encode("utf-8", "surrogateescape")
    if len(name) <= KEY_BYTES:
        return output
    return f"sha256:{hashlib.sha256(name).hexdigest()[:56]}"


class Mirror:
    """The marks of what sounds.

    Args:
        folder: the runtime directory.
        outputs: the rig's output names; at most 16.

    Attributes:
        kept: False if the marks are in memory alone, for no file could be made.

    What an earlier process left sounding is ``owed`` a note-off, and stays marked until then.
    """

    def __init__(self, folder: Path, outputs: Iterable[str]) -> None:
        self.path = folder / MIRROR_FILE
        left = read_left(self.path)
        self.kept = True
        try:
            self._map = _map(self.path)
        except OSError:  # no room, no right: it plays all the same
            self._map = mmap.mmap(-1, SIZE)
            self.kept = False
        self._map[:] = bytes(SIZE)
        self._owed: set[int] = set()  # places
        self._places: dict[str, int] = {}
        self._leaving: dict[int, int] = {}  # place of a mark -> time of its note-off
        for key, notes in left.items():
            self._place(key)
            for channel, note in notes:
                self.mark(key, channel, note)
        self._owed |= {at for at, mark in enumerate(self._map[MARKS:], MARKS) if mark}
        self.replace(outputs)

    def replace(self, outputs: Iterable[str]) -> None:
        """Give each output of a rig its place; those that have one keep it.

        A place is given to another output once nothing is marked there.
        """
        names = tuple(outputs)
        for name in [name for name in self._places if name not in names]:
            if not any(self._notes(self._places[name])):
                del self._places[name]
        for name in names:
            self._place(name)

    def _notes(self, place: int) -> bytes:
        return self._map[place : place + NOTES]

    def _place(self, name: str) -> None:
        key = key_of(name)
        if name in self._places:
            return
        if key in self._places:  # of an earlier process, which had the key alone
            self._places[name] = self._places.pop(key)
            return
        used = set(self._places.values())
        for number in range(OUTPUTS):
            place = MARKS + number * NOTES
            if place not in used:
                start = number * KEY_BYTES
                content = key.encode("utf-8", "surrogateescape").ljust(KEY_BYTES, b"\0")
                self._map[start : start + KEY_BYTES] = content
                self._places[name] = place
                return

    def mark(self, output: str, channel: int, note: int) -> None:
        """Mark a note, before its note-on is sent."""
        place = self._places.get(output)
        if place is not None:
            place += channel * 128 + note
            self._map[place] = 1
            self._leaving.pop(place, None)
            self._owed.discard(place)

    def clear(self, output: str, channel: int, note: int, at: int | None = None) -> None:
        """Clear a note whose note-off was sent.

        Args:
            at: None if it has left; else the server's time at which it was handed over: the
                mark is then cleared by ``settle``.
        """
        place = self._places.get(output)
        if place is None:
            return
        place += channel * 128 + note
        self._leaving.pop(place, None)
        self._owed.discard(place)
        if at is None:
            self._map[place] = 0
        else:
            self._leaving[place] = at

    def owed(self, output: str) -> list[tuple[int, int]]:
        """Return what an earlier process left sounding there and nobody has struck since.

        As (channel, note); empty once ``clear`` was called for all.
        """
        place = self._places.get(output)
        if place is None or not self._owed:
            return []
        return [divmod(at - place, 128) for at in sorted(self._owed) if 0 <= at - place < NOTES]

    @property
    def leaving(self) -> bool:
        """True while a note-off may be on its way."""
        return bool(self._leaving)

    def settle(self, now: int, least: int) -> None:
        """Clear the marks whose note-off was handed over at least ``least`` frames ago."""
        leaving = self._leaving
        while leaving:
            place, at = next(iter(leaving.items()))
            if (now - at) & 0xFFFFFFFF < least:
                return
            del leaving[place]
            self._map[place] = 0

    def marked(self) -> list[tuple[str, int, int]]:
        """Return all that is marked, as (output, channel, note)."""
        return [
            (name, *divmod(at, 128))
            for name, place in self._places.items()
            for at, mark in enumerate(self._notes(place))
            if mark
        ]

    def is_there(self) -> bool:
        """False once somebody has removed the file."""
        try:
            return self.path.stat().st_nlink > 0
        except OSError:
            return False

    def restore(self) -> None:
        """Make the file anew after it was removed, with the same marks.

        Raises:
            OSError: it can't be made.
        """
        fresh = _map(self.path)
        fresh[:] = self._map[:]
        self._map.close()
        self._map, self.kept = fresh, True

    def close(self) -> None:
        self._map.close()


def _map(path: Path) -> mmap.mmap:
    file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    try:
        os.ftruncate(file, SIZE)
        os.posix_fallocate(file, 0, SIZE)  # without room, a store into the map would be SIGBUS
        return mmap.mmap(file, SIZE)
    finally:
        os.close(file)


def _content(path: Path, most: int) -> bytes:
    """Return the beginning of a file; a pipe, link or device is refused, not waited for.

    Raises:
        OSError: it can't be read.
    """
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC
    with os.fdopen(os.open(path, flags), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(errno.EINVAL, "found no ordinary file", os.fspath(path))
        return file.read(most)


def read_left(path: Path) -> dict[str, list[tuple[int, int]]]:
    """Return what a mirror file lists, by key; nothing if there is no whole file."""
    try:
        content = _content(path, SIZE + 1)
    except OSError:
        return {}
    if len(content) != SIZE:
        return {}
    left: dict[str, list[tuple[int, int]]] = {}
    for number in range(OUTPUTS):
        name = content[number * KEY_BYTES : (number + 1) * KEY_BYTES].rstrip(b"\0")
        start = MARKS + number * NOTES
        marks = content[start : start + NOTES]
        notes = [divmod(at, 128) for at, mark in enumerate(marks) if mark]
        if name and notes:
            left[name.decode("utf-8", "replace")] = notes
    return left
