"""Which state belongs to a rig: by its name, wherever its file stands.

A name that is new here starts fresh, and what else is kept is offered; but the state that was
kept without a name goes by itself to the rig whose voices and scene its session names.
"""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path

from ..config import rig as rig_file
from ..config.stored_files import STORED_KINDS
from ..errors import StoreError, ZerobeatError
from .backup import write_synced
from .state_directory import RIGS, name_of_rig, state_directory
from .store import BINDINGS, SESSION, Store, make_folder, refusal, sync_folder

UNNAMED = "unnamed"  # the state of rigs without a name, in lists and for --adopt
ACTIVE = "active-rig"  # the name that played last, for a start on which the rig is broken
ADOPTING = "adopting"  # to whom what is kept without a name is being given; a cut goes on
BEFORE_ADOPT = "before-adopt"


def state_of_rig(path: Path) -> tuple[str, list[str]]:
    """Return the name of the rig whose state is used from now on, and lines for the player.

    Args:
        path: the rig's file; if no name can be read there, the state that was used last is.
    """
    base = state_directory()
    lines: list[str] = []
    try:
        _go_on(base)
        name = name_of_rig(path)
        if name is None:
            return _active(base), lines
        folder = base / RIGS / name
        if name and not folder.is_dir():
            lines = _first_start(base, name, path)
        if name != _active(base):
            write_synced(base / f".{ACTIVE}.tmp", name.encode())
            os.rename(base / f".{ACTIVE}.tmp", base / ACTIVE)
    except OSError as error:
        lines.append(str(refusal(base / RIGS, error)))
        return name_of_rig(path) or "", lines
    return name, lines


def _first_start(base: Path, name: str, path: Path) -> list[str]:
    if _session_names(base, path):
        adopt(UNNAMED, name)
        return [f"the settings kept so far go with the name {name}: {base / RIGS / name}"]
    make_folder(base / RIGS / name)
    others = kept_names(base)
    if not others:
        return []
    kept = f"nothing is kept of a rig named {name} yet; kept here: {', '.join(others)}"
    return [f"{kept} (adopt: zerobeat state --adopt NAME)"]


def _active(base: Path) -> str:
    try:
        name = (base / ACTIVE).read_text()
    except (OSError, ValueError):
        return ""
    return name if rig_file.is_rig_name(name) else ""


def kept_names(base: Path) -> list[str]:
    """Return the names under which something is kept."""
    found = [UNNAMED] if _is_kept(base) else []
    with contextlib.suppress(OSError):
        found += sorted(path.name for path in (base / RIGS).iterdir() if _is_kept(path))
    return found


def _is_kept(folder: Path) -> bool:
    return (folder / SESSION).is_file() or any(
        any((folder / name).glob("*.yaml")) for name in STORED_KINDS
    )


def _session_names(base: Path, path: Path) -> bool:
    """Return whether the session without a name is of this rig: all its voices and its scene."""
    try:
        stored = Store(base).load_session()
        if stored is None:
            return False
        loaded = rig_file.read_rig(path, Store(base))
        content = json.loads(stored.content)
        voices = {*content["tonight"]["touch_up"], *content.get("live", {}).get("voices", {})}
        scene = content.get("scene")
    except (ZerobeatError, ValueError, KeyError, TypeError, AttributeError):
        return False
    known = {voice.name for voice in loaded.rig.voices}
    has_scene = scene in loaded.scene_files
    return voices <= known and (bool(voices) or has_scene) and (scene is None or has_scene)


# ---------------------------------------------------------------- giving state to a rig


def adopt(source: str, name: str) -> None:
    """Give what is kept under one name to the rig of another; what that had is put aside.

    Raises:
        StoreError: nothing is kept under that name, or the disk refuses.
    """
    base = state_directory()
    others = kept_names(base)
    if source not in others:
        allowed = ", ".join(others) or "none, nothing is kept here"
        raise StoreError(f"state: found {source}; allowed: {allowed}")
    folder = base / RIGS / name
    if source == name:
        raise StoreError(f"state: {name} has its own state already")
    try:
        make_folder(base / RIGS)
        if folder.exists():
            make_folder(base / BEFORE_ADOPT)
            number = 1
            while (aside := base / BEFORE_ADOPT / f"{name} {number}").exists():
                number += 1
            os.rename(folder, aside)
        if source == UNNAMED:
            write_synced(base / ADOPTING, name.encode())
            sync_folder(base)
            _go_on(base)
        else:
            os.rename(base / RIGS / source, folder)
        sync_folder(base / RIGS)
    except OSError as error:
        raise refusal(folder, error) from None


def _go_on(base: Path) -> None:
    """Move what is kept without a name to whom it was given; a cut may have come between."""
    try:
        name = (base / ADOPTING).read_text()
    except (OSError, ValueError):
        return
    if rig_file.is_rig_name(name):
        folder = base / RIGS / name
        make_folder(folder)
        stems = tuple(f"{Path(file).stem}." for file in (SESSION, BINDINGS))
        for path in sorted(base.iterdir()):
            if path.name in (*STORED_KINDS, "last-good") or path.name.startswith(stems):
                os.rename(path, folder / path.name)
        sync_folder(folder)
    os.unlink(base / ADOPTING)
    sync_folder(base)
