"""Trees and archives that are the same bytes whenever they are made from the same commit."""

from __future__ import annotations

import os
import shutil
import tarfile
from pathlib import Path

from .files import run
from .targets import ROOT


def epoch_s() -> int:
    """Return the time that everything made carries: SOURCE_DATE_EPOCH, else the last commit's."""
    told = os.environ.get("SOURCE_DATE_EPOCH")
    return int(told or run(["git", "log", "-1", "--format=%ct"], ROOT))


def committed_tree(folder: Path) -> None:
    """Write the last commit's files into a folder that does not exist yet."""
    packed = folder.with_suffix(".tar")
    run(["git", "-c", "tar.umask=0022", "archive", "--output", packed, "HEAD"], ROOT)
    with tarfile.open(packed) as tar:
        tar.extractall(folder, filter="tar")
    packed.unlink()


def settle(folder: Path, time_s: int) -> None:
    """Give a tree the modes and times that it shall have anywhere."""
    for path in (folder, *folder.rglob("*")):
        if not path.is_symlink():
            program = path.stat().st_mode & 0o100 and ".so" not in path.suffixes
            path.chmod(0o755 if path.is_dir() or program else 0o644)
    for path in (folder, *folder.rglob("*")):
        os.utime(path, (time_s, time_s), follow_symlinks=False)


def write_tar(folder: Path, target: Path, time_s: int) -> None:
    """Pack a folder, under its own name, in the order of the names."""

    def plain(info: tarfile.TarInfo) -> tarfile.TarInfo:
        info.uid = info.gid = 0
        info.uname = info.gname = "root"
        return info

    settle(folder, time_s)
    with tarfile.open(target, "w", format=tarfile.PAX_FORMAT) as tar:
        for path in (folder, *sorted(folder.rglob("*"))):
            tar.add(path, path.relative_to(folder.parent), recursive=False, filter=plain)


def copy(source: Path, target: Path) -> None:
    """Copy a file or a tree to a place whose folder may not exist yet."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if source.is_dir():
        shutil.copytree(source, target)
    else:
        shutil.copy(source, target)
