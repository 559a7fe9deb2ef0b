"""The last rig without faults, for a start at which the player's rig has faults.

    last-good/rig.last-good.yaml    the rig, below the line with its format
    last-good/scenes/...            the files it names from its own folder, under the same names

The folder is replaced as a whole, so a power cut leaves the old or the new
set, never a mixture. The player's own files are only read.
"""

from __future__ import annotations

import codecs
import os
import shutil
from collections.abc import Iterable
from pathlib import Path

from ..config.file_format import YAML_LINE
from ..config.rig import LoadedRig
from ..errors import NewerFormatError, StoreError
from .backup import write_synced
from .sealed import newer_format
from .state_directory import load_rig
from .store import Store, sync_folder

FOLDER = "last-good"
RIG = "rig.last-good.yaml"


def last_good_rig(directory: Path) -> Path | None:
    """Return the file of the last good rig in a state directory, or None if none is kept."""
    for name in (FOLDER, f"{FOLDER}.old"):  # .old: a power cut came between the two renames
        path = directory / name / RIG
        if path.is_file():
            return path
    return None


def load_last_good(store: Store, store_of: str | None = None) -> LoadedRig | None:
    """Return the last good rig, or None if none is kept.

    Args:
        store: where it is kept, with scenes and profiles.
        store_of: as for ``load_rig``.

    Raises:
        ConfigError: it names something that is no longer there.
    """
    path = last_good_rig(store.directory)
    return None if path is None else load_rig(path, store, store_of)


def keep_last_good(directory: Path, rig: Path, files_read: Iterable[Path]) -> bool:
    """Keep a rig that was read without faults; True if it was not kept already.

    Args:
        directory: the state directory.
        rig: its file.
        files_read: the files it was read from; those outside its folder are not copied, for
            they are named by a path that stays.

    Raises:
        NewerFormatError: what is kept is a later version's, and is left alone.
        StoreError: the disk refuses; the set before is still there.
    """
    folder = directory / FOLDER
    why = newer_format(folder / RIG)
    if why:
        raise NewerFormatError(f"{folder / RIG}: {why}; nothing was stored")
    try:
        wanted = _contents(rig, files_read)
        if {name: _bytes(folder / name) for name in wanted} == wanted and _count(folder) == len(
            wanted
        ):
            return False
        _replace(folder, wanted)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise StoreError(f"the last good rig can't be kept: {why}; playing goes on") from None
    return True


def _contents(rig: Path, files_read: Iterable[Path]) -> dict[str, bytes]:
    base = rig.parent.absolute()
    wanted = {RIG: YAML_LINE + rig.read_bytes().removeprefix(codecs.BOM_UTF8)}
    for path in files_read:
        place = path.absolute()
        if place != rig.absolute() and place.is_relative_to(base) and ".." not in place.parts:
            wanted[str(place.relative_to(base))] = place.read_bytes()
    return wanted


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _count(folder: Path) -> int:
    return sum(path.is_file() for path in folder.rglob("*"))


def _replace(folder: Path, wanted: dict[str, bytes]) -> None:
    new, old = folder.with_name(f"{FOLDER}.new"), folder.with_name(f"{FOLDER}.old")
    shutil.rmtree(new, ignore_errors=True)
    folders = {new}
    for name, content in wanted.items():
        path = new / name
        path.parent.mkdir(parents=True, exist_ok=True)
        folders |= {new, *(p for p in path.parents if p.is_relative_to(new))}
        write_synced(path, content)
    for made in folders:
        sync_folder(made)
    if folder.exists():
        shutil.rmtree(old, ignore_errors=True)
        os.rename(folder, old)
    os.rename(new, folder)
    sync_folder(folder.parent)
    shutil.rmtree(old, ignore_errors=True)
