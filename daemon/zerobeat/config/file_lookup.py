"""Finds the files that a rig names: stored, in its folder, or shipped.

A name without a suffix is looked for in the folder of its kind; a name with a
suffix or a slash is a path from the rig's folder. Names are exact.

Scenes and profiles in the state directory take precedence over the player's own
files, for what was stored on stage must be in force after a restart. A file that
is hidden by one of the same name is reported.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from ..errors import one_of
from .stored_files import STORED_KINDS, StoredFiles, has_generations, is_stored

SHIPPED = Path(__file__).resolve().parent.parent / "profiles"
SUFFIXES = (".yaml", ".yml", ".scl", ".kbm")


def stored_name(name: str) -> str:
    """Return the name in the store of a file that a rig calls ``name``.

    >>> stored_name("slow"), stored_name("scenes/slow.yaml"), stored_name("friday/slow.yml")
    ('slow', 'slow', 'friday--slow')
    """
    path = Path(name)
    stem = path.with_suffix("") if path.suffix in (".yaml", ".yml") else path
    parts = [part for part in stem.parts if part not in ("/", ".", "..")]
    if len(parts) == 2 and parts[0] in STORED_KINDS:
        del parts[0]
    return "--".join(parts)


def places(
    name: str,
    kinds: Iterable[str],
    beside: Path,
    in_folders: bool = False,
    stored: StoredFiles | None = None,
) -> list[Path]:
    """Return the paths a name may refer to, in the order of precedence.

    Args:
        name: ``quad``, ``quad.yaml`` or ``my-files/quad.yaml``.
        kinds: folders such as ``converters``.
        beside: folder of the file that names it.
        in_folders: look in the folders of ``kinds`` alone; for a default name.
        stored: what the daemon stored; None looks among the player's and the shipped files.
    """
    kinds = tuple(kinds)
    file = name if Path(name).suffix in SUFFIXES else f"{name}.yaml"
    own = [] if stored is None else [stored.directory]
    looked = [
        folder / kind / f"{stored_name(name)}.yaml"
        for folder in own
        for kind in kinds
        if kind in STORED_KINDS
    ]
    if os.path.isabs(file):
        return [*looked, Path(file)]
    if not in_folders:
        looked.append(beside / file)
    looked += [root / kind / file for root in (beside, *own, SHIPPED) for kind in kinds]
    return list(dict.fromkeys(looked))


def find_file(
    name: str,
    kinds: Iterable[str],
    beside: Path,
    in_folders: bool = False,
    stored: StoredFiles | None = None,
) -> Path | None:
    """Return the first path of that name that exists, or None.

    Of a stored file, any generation counts.
    """
    looked = places(name, kinds, beside, in_folders, stored)
    return next((path for path in looked if _is_there(path, stored)), None)


def hidden_by(
    found: Path,
    name: str,
    kinds: Iterable[str],
    beside: Path,
    in_folders: bool = False,
    stored: StoredFiles | None = None,
) -> Path | None:
    """Return the file of the same name that ``found`` hides: the player's own, or a stored one."""
    if found.is_relative_to(SHIPPED):
        return None
    others = [
        path
        for path in places(name, kinds, beside, in_folders, stored)
        if is_stored(path, stored) != is_stored(found, stored) and not path.is_relative_to(SHIPPED)
    ]
    return next((path for path in others if _is_there(path, stored)), None)


def _is_there(path: Path, stored: StoredFiles | None) -> bool:
    if stored is not None and has_generations(path, stored):
        return stored.exists(path)
    return os.path.lexists(path)


def not_found(
    name: str, kinds: tuple[str, ...], beside: Path, stored: StoredFiles | None = None
) -> str:
    """Return the text of a fault: the folders that were searched, and similar names."""
    looked = places(name, kinds, beside, stored=stored)
    names: list[str] = []
    for folder in dict.fromkeys(path.parent for path in looked):
        try:
            files = sorted(os.listdir(folder))
        except OSError:
            continue
        names += [file for file in files if file.endswith(SUFFIXES)]
    stem = Path(name).suffix not in SUFFIXES
    known = [Path(file).stem if stem else file for file in names]
    there = f"; there are: {one_of(name, known)}" if known else ""
    return f"no file {name} in {', '.join(str(p.parent) for p in looked)}{there}"
