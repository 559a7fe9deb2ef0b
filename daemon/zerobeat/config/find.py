"""Finding the files that a rig names: beside it, in the state directory, or shipped.

A name without a suffix is looked for in the folder of its kind; a name with a
suffix or a slash is a path from the rig's folder first. Names are exact.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from .faults import meant

SHIPPED = Path(__file__).resolve().parent.parent / "profiles"
SUFFIXES = (".yaml", ".yml", ".scl", ".kbm")


def state_directory() -> Path:
    """Return where the daemon keeps what it writes itself.

    systemd gives ``STATE_DIRECTORY`` (the first, if it lists several); in a
    terminal it is ``zerobeat`` in the XDG state home.
    """
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    # XDG Base Directory Specification: an unset, empty or relative path counts as unset.
    home = os.environ.get("XDG_STATE_HOME", "")
    base = Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state"
    return base / "zerobeat"


def places(name: str, kinds: Iterable[str], beside: Path, in_folders: bool = False) -> list[Path]:
    """Return the paths a name may mean, the first to be tried first.

    Args:
        name: ``quad``, ``quad.yaml`` or ``my-files/quad.yaml``.
        kinds: folders such as ``converters``.
        beside: folder of the file that names it.
        in_folders: leave out the file right beside, for a name nobody wrote.
    """
    file = name if Path(name).suffix in SUFFIXES else f"{name}.yaml"
    if os.path.isabs(file):
        return [Path(file)]
    kinds = tuple(kinds)
    roots = (beside, state_directory(), SHIPPED)
    found = [root / kind / file for root in roots for kind in kinds]
    return found if in_folders else [beside / file, *found]


def find(name: str, kinds: Iterable[str], beside: Path, in_folders: bool = False) -> Path | None:
    """Return the first place where something of that name stands, or None."""
    looked = places(name, kinds, beside, in_folders)
    return next((path for path in looked if os.path.lexists(path)), None)


def hidden_by(found: Path, name: str, kinds: Iterable[str], beside: Path) -> Path | None:
    """Return the file in the state directory that ``found`` keeps from being used."""
    stored = state_directory()
    if found.is_relative_to(stored) or found.is_relative_to(SHIPPED):
        return None
    there = [path for path in places(name, kinds, beside) if path.is_relative_to(stored)]
    return next((path for path in there if os.path.lexists(path)), None)


def not_found(name: str, kinds: tuple[str, ...], beside: Path) -> str:
    """Return what a fault says: where it was looked for, and near names."""
    looked = places(name, kinds, beside)
    names: list[str] = []
    for folder in dict.fromkeys(path.parent for path in looked):
        try:
            files = sorted(os.listdir(folder))
        except OSError:
            continue
        names += [file for file in files if file.endswith(SUFFIXES)]
    stem = Path(name).suffix not in SUFFIXES
    known = [Path(file).stem if stem else file for file in names]
    return f"no file {name} in {', '.join(str(p.parent) for p in looked)}{meant(name, known)}"
