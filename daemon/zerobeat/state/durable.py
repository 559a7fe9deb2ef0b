"""Files that survive a power cut: a checksum in each, earlier generations beside it.

    slow.yaml           what was stored last
    slow.1.yaml ...     up to five earlier ones, 1 the latest
    slow.damaged.yaml   a file with a wrong checksum that a store replaced

A load uses the newest generation whose checksum is right, or that has none,
which the player wrote. A wrong checksum means damage or an edit, which can't be
distinguished, so an earlier generation is used, with a warning. A player keeps an
edit by deleting the first line. If no generation is valid, one with a wrong
checksum is used, as long as it can be parsed.

A file whose format only a later version reads is left alone: an earlier
generation is used, and nothing is stored under that name.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..config.yaml_source import read_bytes
from ..errors import NewerFormatError, StoreError
from .sealed import Examined, examine, newer_format, seal

GENERATIONS_KEPT = 5
DAMAGED = "damaged"


@dataclass(frozen=True, slots=True)
class Newest:
    """The generation that a load uses.

    Args:
        path: its file.
        content: the file without the checksum and the format.
        warnings: one line if a newer generation could not be used.
    """

    path: Path
    content: bytes
    warnings: tuple[str, ...] = ()


# ---------------------------------------------------------------- names


def generation(path: Path, number: int | str) -> Path:
    """Return the file of an earlier generation; 0 is ``path`` itself."""
    return path if number == 0 else path.with_name(f"{path.stem}.{number}{path.suffix}")


def generations(path: Path) -> Iterator[Path]:
    """Yield the paths of every generation, newest first, whether they exist or not."""
    # A store that a power cut interrupted may have left one more than are kept.
    yield from (generation(path, number) for number in range(GENERATIONS_KEPT + 2))


def plain_stem(path: Path) -> str:
    """Return the name that all generations of a file share: ``slow`` of ``slow.1.yaml``."""
    stem, _, last = path.stem.rpartition(".")
    return stem if stem and (last == DAMAGED or last.isdecimal()) else path.stem


def exists(path: Path) -> bool:
    """Return whether any generation exists."""
    return any(os.path.lexists(candidate) for candidate in generations(path))


# ---------------------------------------------------------------- in


def newest(path: Path) -> Newest:
    """Return the newest generation that is whole, or the player's own and readable.

    Nothing is written.

    Raises:
        NewerFormatError: there is none, but one that only a later version reads.
        StoreError: there is none, and no damaged one can be read either.
    """
    unusable: Examined | None = None
    readable: Examined | None = None
    newer: Examined | None = None
    for candidate in generations(path):
        found = examine(candidate)
        if found.is_valid:
            return _newest(found, unusable)
        if unusable is None and (found.state != "missing" or candidate == path):
            unusable = found
        if readable is None and found.state == "damaged" and found.reads:
            readable = found
        if newer is None and found.state == "newer":
            newer = found
    if newer is not None:
        raise NewerFormatError(f"{newer.path}: {newer.why}")
    assert unusable is not None
    if readable is not None:
        return _newest(readable, unusable)
    if not exists(path):
        raise StoreError(f"{path}: nothing of that name is stored")
    todo = "no earlier one can be read: restore a backup or delete it"
    raise StoreError(f"{path}: {unusable.why}; {todo}")


def _newest(found: Examined, unusable: Examined | None) -> Newest:
    if unusable is None:
        return Newest(found.path, found.content)
    used = "it is used, as there is no better one" if found is unusable else f"{found.path} is used"
    return Newest(found.path, found.content, (f"{unusable.path}: {unusable.why}; {used}",))


def previous(path: Path) -> Newest:
    """Return the generation before the newest one, with other content.

    Raises:
        StoreError: nothing is stored, or nothing earlier.
    """
    now = newest(path)
    files = list(generations(path))
    for candidate in files[files.index(now.path) + 1 :]:
        found = examine(candidate)
        if found.content != now.content and found.is_valid:
            return Newest(found.path, found.content)
    raise StoreError(f"{path}: no earlier one is kept")


# ---------------------------------------------------------------- out


def refuse_newer(path: Path) -> None:
    """Check that a store would touch no file that only a later version reads.

    Raises:
        NewerFormatError: one of the generations is such a file; one line.
    """
    for candidate in generations(path):
        why = newer_format(candidate)
        if why:
            raise NewerFormatError(f"{candidate}: {why}; nothing was stored")


def replace(path: Path, content: bytes, kept: int = GENERATIONS_KEPT) -> None:
    """Replace the content of a file; the old content becomes generation 1.

    At every moment the file holds the old or the new bytes, complete. Both are on
    the disk when this returns. Content that an earlier generation has too is kept
    once.

    Raises:
        NewerFormatError: as for ``refuse_newer``; nothing was touched.
        OSError: not stored, or not certainly. The file holds the old or the new
            bytes, complete, and no generation is lost.
    """
    refuse_newer(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    temporary = f".{path.name}.tmp"
    try:
        try:
            _write(folder, temporary, seal(content, path.suffix))
            _keep(folder, path, content, kept)
            os.rename(temporary, path.name, src_dir_fd=folder, dst_dir_fd=folder)
        except BaseException:
            _remove(folder, temporary)
            raise
        os.fsync(folder)
        _thin_out(folder, path, content, kept)
    finally:
        os.close(folder)


def _write(folder: int, name: str, raw: bytes) -> None:
    """Write a new file and wait until its bytes are on the disk."""
    _remove(folder, name)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    file = os.open(name, flags, 0o644, dir_fd=folder)
    try:
        left = memoryview(raw)
        while left:
            left = left[os.write(file, left) :]
        os.fsync(file)
    finally:
        os.close(file)


def _keep(folder: int, path: Path, content: bytes, kept: int) -> None:
    """Keep the file that is about to be replaced, on the disk, under another name."""
    old = examine(path)
    if old.state == "missing" or (old.worth_keeping and old.content == content):
        return
    if old.worth_keeping:
        latest = examine(generation(path, 1))
        if latest.worth_keeping and latest.content == old.content:
            return  # a power cut came between keeping and replacing
        _make_room(folder, path, kept)
        _link(folder, path, generation(path, 1))
    elif old.content.strip():
        # An edit is not lost, and a damaged file never pushes out a valid generation.
        _remove(folder, generation(path, DAMAGED).name)
        _link(folder, path, generation(path, DAMAGED))
    os.fsync(folder)


def _make_room(folder: int, path: Path, kept: int) -> None:
    """Free the name of generation 1: shift the others up to the first missing or damaged one."""
    numbers = range(1, kept + 1)
    free = next((n for n in numbers if not examine(generation(path, n)).worth_keeping), kept + 1)
    for number in range(free, 1, -1):
        source, target = generation(path, number - 1).name, generation(path, number).name
        os.rename(source, target, src_dir_fd=folder, dst_dir_fd=folder)
    if free == 1:
        _remove(folder, generation(path, 1).name)


def _link(folder: int, path: Path, other: Path) -> None:
    """Give a file a second name; on a file system without links, copy it."""
    try:
        os.link(path.name, other.name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
    except OSError as error:
        if isinstance(error, FileExistsError | FileNotFoundError):
            raise
        temporary = f".{other.name}.tmp"
        _write(folder, temporary, read_bytes(path))
        os.rename(temporary, other.name, src_dir_fd=folder, dst_dir_fd=folder)


def _thin_out(folder: int, path: Path, content: bytes, kept: int) -> None:
    """Remove duplicate and surplus generations and close gaps; a failure is ignored."""
    with contextlib.suppress(OSError):
        number, seen = 1, {content}
        for candidate in list(generations(path))[1:]:
            found = examine(candidate)
            if found.state == "missing":
                continue
            if number > kept or (found.worth_keeping and found.content in seen):
                _remove(folder, candidate.name)
                continue
            if found.worth_keeping:
                seen.add(found.content)
            wanted = generation(path, number).name
            if candidate.name != wanted:
                os.rename(candidate.name, wanted, src_dir_fd=folder, dst_dir_fd=folder)
            number += 1


def _remove(folder: int, name: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.unlink(name, dir_fd=folder)
