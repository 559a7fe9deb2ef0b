"""The state directory as one file, and back.

A backup is a ``.tar.gz`` whose first member lists the SHA-256 of the others, as
``sha256sum -c SHA256SUMS`` reads it; its tar header names the format
(``config.file_format``). Nothing is taken from one until all of it is checked.
A restore first writes all files beside those that are stored; a power cut
before that changes nothing, and after it ``recover`` goes on to the end.

While ``unpack`` works, no daemon may play on that state directory.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import os
import shutil
import time
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

from ..config.file_format import BACKUP_COMMENT, newer_backup
from ..config.stored_files import STORED_KINDS as FOLDERS
from ..config.yaml_source import LARGEST_FILE_BYTES, read_bytes
from ..errors import ConfigError, NewerFormatError, StoreError
from .store import SESSION, make_folder, refusal, sync_folder

if TYPE_CHECKING:
    import tarfile  # loaded by what packs and unpacks: the daemon would hold 1 MB for it

SUMS = "SHA256SUMS"
FILES = (SESSION, "session.1.json", "bindings.yaml", "rig.last-good.yaml")
LARGEST_BACKUP_BYTES = 64_000_000  # unpacked; 16 voices of the largest profiles are 23 million
_LARGEST_TAR_BYTES = LARGEST_BACKUP_BYTES + 10_000_000  # with what tar adds
_HALF_READY, _READY = ".unpacking", ".unpacked"
BEFORE = "before-unpack"
TRIES = 40  # a store takes milliseconds
# What gzip and tarfile raise for bytes that are none of theirs, found by fuzzing too.
_DAMAGED = (
    EOFError,
    ValueError,
    ArithmeticError,
    LookupError,
    RecursionError,
    zlib.error,
    gzip.BadGzipFile,
)


# ---------------------------------------------------------------- out


def pack(directory: Path, path: Path, over: bool = False) -> list[str]:
    """Write the state directory into a new file; return the names of what is in it.

    Args:
        directory: the state directory.
        path: of the file.
        over: write over a file that is there, whole or not at all.

    Raises:
        StoreError: nothing to pack, the file is there already, or it can't be
            written. No half file is left.
    """
    contents = _settled(directory)
    if not contents:
        raise StoreError(f"{directory}: found nothing stored; nothing to pack")
    if sum(map(len, contents.values())) > LARGEST_BACKUP_BYTES:
        raise StoreError(f"{directory}: found more than {LARGEST_BACKUP_BYTES:,} bytes in all")
    if os.path.lexists(path) and not over:
        raise StoreError(f"{path}: is there already; choose another name or remove it")
    temporary = path.with_name(f".{path.name}.tmp")
    try:
        temporary.unlink(missing_ok=True)
        write_synced(temporary, _archive(contents))
        os.rename(temporary, path)
        sync_folder(path.parent)
    except OSError as error:
        raise StoreError(f"{path}: not written: {error.strerror}; choose another place") from None
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()
    return list(contents)


def _settled(directory: Path) -> dict[str, bytes]:
    """Return the stored files of one moment; they are read again if a daemon stored meanwhile."""
    for _ in range(TRIES):
        before = _stamps(directory)
        try:
            contents = _contents(directory)
        except StoreError:
            if _stamps(directory) == before:
                raise
            continue
        if _stamps(directory) == before:
            return contents
        time.sleep(0.05)
    raise StoreError(f"{directory}: something is stored all the time; try again")


def _stamps(directory: Path) -> list[tuple[str, int, int]]:
    found = []
    for name in _names(directory):
        with contextlib.suppress(OSError):
            stamp = os.lstat(directory / name)
            found.append((name, stamp.st_ino, stamp.st_mtime_ns))
    return found


def _names(directory: Path) -> list[str]:
    names = list(FILES)
    for folder in FOLDERS:
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):
            names += [f"{folder}/{name}" for name in sorted(os.listdir(directory / folder))]
    return [name for name in names if _is_allowed(name)]


def _contents(directory: Path) -> dict[str, bytes]:
    contents = {}
    for name in _names(directory):
        if os.path.lexists(directory / name):
            try:
                contents[name] = read_bytes(directory / name)
            except ConfigError as error:
                raise StoreError(f"{error}; not packed") from None
    return contents


def _archive(contents: dict[str, bytes]) -> bytes:
    import tarfile

    sums = "".join(f"{_checksum(content)}  {name}\n" for name, content in contents.items())
    raw = io.BytesIO()
    # The comment of a pax archive is free text, which other tools ignore (POSIX.1, pax).
    header = {"comment": BACKUP_COMMENT}
    with tarfile.open(
        fileobj=raw, mode="w:gz", format=tarfile.PAX_FORMAT, pax_headers=header
    ) as archive:
        for name, content in {SUMS: sums.encode(), **contents}.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return raw.getvalue()


# ---------------------------------------------------------------- in


def unpack(path: Path, directory: Path) -> list[str]:
    """Replace what is stored by the files of a backup; return their names.

    What was stored before is moved to ``before-unpack`` in the state directory.

    Raises:
        StoreError: no whole backup, or it can't be written; nothing has changed
            then. If only moving into place failed, ``recover`` goes on with it.
    """
    contents = read_backup(path)
    half = directory / _HALF_READY
    try:
        recover(directory)
        make_folder(half)
        for folder in FOLDERS:
            (half / folder).mkdir()
        for name, content in contents.items():
            write_synced(half / name, content)
        for folder in (*FOLDERS, "."):
            sync_folder(half / folder)
        shutil.rmtree(directory / BEFORE, ignore_errors=True)
        os.rename(half, directory / _READY)
    except OSError as error:
        shutil.rmtree(half, ignore_errors=True)
        raise refusal(half, error) from None
    recover(directory)
    return [name for name in contents if name != SUMS]


def recover(directory: Path) -> list[str]:
    """Finish or discard an ``unpack`` that was interrupted; return a line if one was finished.

    To be called before anything is read from the state directory.

    Raises:
        StoreError: it can't be finished; the line says why.
    """
    shutil.rmtree(directory / _HALF_READY, ignore_errors=True)
    ready = directory / _READY
    if not ready.is_dir():
        return []
    try:
        if (ready / SUMS).exists():
            _swap(directory, ready)
        ready.rmdir()
        sync_folder(directory)
    except OSError as error:
        raise refusal(ready, error) from None
    return [f"{directory}: a backup that was being unpacked is now in place"]


def _swap(directory: Path, ready: Path) -> None:
    """Move each entry aside and its successor in; a power cut may follow any step."""
    names = [line.partition("  ")[2] for line in (ready / SUMS).read_text().splitlines()]
    before = directory / BEFORE
    before.mkdir(exist_ok=True)
    sync_folder(directory)
    for entry in (*FOLDERS, *FILES):
        comes = entry in FOLDERS or entry in names
        if comes and not os.path.lexists(ready / entry):
            continue  # moved before the power cut
        if os.path.lexists(directory / entry):
            os.rename(directory / entry, before / entry)
        if comes:
            os.rename(ready / entry, directory / entry)
    for folder in (before, directory):
        sync_folder(folder)
    (ready / SUMS).unlink()


def read_backup(path: Path) -> dict[str, bytes]:
    """Return the content of each file of a backup, all checked, the sums among them.

    Raises:
        NewerFormatError: a later version's backup.
        StoreError: one line: unreadable, a name or kind of member that no
            backup has, or a checksum that is wrong.
    """
    import tarfile

    contents: dict[str, bytes] = {}
    try:
        if path.exists() and not path.is_file():
            raise StoreError(f"{path}: found a folder, pipe or device; allowed: a backup's file")
        with gzip.open(path) as packed:
            raw = packed.read(_LARGEST_TAR_BYTES)
        if len(raw) == _LARGEST_TAR_BYTES:
            raise StoreError(f"{path}: found too much; allowed: {LARGEST_BACKUP_BYTES:,} bytes")
        with tarfile.open(fileobj=io.BytesIO(raw), mode="r:") as archive:
            newer = newer_backup(archive.pax_headers.get("comment", ""))
            if newer:
                raise NewerFormatError(f"{path}: {newer}; nothing was changed")
            for member in archive:
                contents[member.name] = _content(archive, member, path, contents)
    except (*_DAMAGED, tarfile.TarError):
        raise StoreError(f"{path}: damaged, or no backup; nothing was changed") from None
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {error.strerror}") from None
    _check_sums(path, contents)
    return contents


def _content(
    archive: tarfile.TarFile, member: tarfile.TarInfo, path: Path, known: dict[str, bytes]
) -> bytes:
    import tarfile

    name = member.name
    is_plain = member.type in (tarfile.REGTYPE, tarfile.AREGTYPE) and not member.issparse()
    if name in known or not is_plain or not (name == SUMS or _is_allowed(name)):
        allowed = (
            f"each once, plain files: NAME.yaml in {' and '.join(FOLDERS)}, {', '.join(FILES)}"
        )
        raise StoreError(f"{path}: found {name[:60]!r}; allowed: {allowed}; nothing was changed")
    if member.size > LARGEST_FILE_BYTES:
        raise StoreError(
            f"{path}: {name}: found {member.size:,} bytes; allowed: {LARGEST_FILE_BYTES:,}"
        )
    file = archive.extractfile(member)
    assert file is not None
    return file.read()


def _is_allowed(name: str) -> bool:
    folder, slash, file = name.partition("/")
    if not slash:
        return name in FILES
    return (
        folder in FOLDERS
        and file.endswith(".yaml")
        and file.isprintable()
        and "/" not in file
        and not file.startswith(".")
        and len(file.encode()) <= 255
    )


def _check_sums(path: Path, contents: dict[str, bytes]) -> None:
    lines = contents.get(SUMS, b"").decode("utf-8", "replace").splitlines()
    sums = {name: checksum for checksum, _, name in (line.partition("  ") for line in lines)}
    found = {name: _checksum(content) for name, content in contents.items() if name != SUMS}
    wrong = sorted(name for name in {*sums, *found} if sums.get(name) != found.get(name))
    if wrong or not found:
        what = ", ".join(wrong[:5]) or SUMS
        raise StoreError(
            f"{path}: damaged: {what}: missing or with a wrong checksum; nothing was changed"
        )


def _checksum(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def write_synced(path: Path, content: bytes) -> None:
    """Write a new file and wait until it is on the disk.

    Raises:
        OSError: the disk refuses, or the file is there.
    """
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
