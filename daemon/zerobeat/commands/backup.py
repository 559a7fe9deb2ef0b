"""``zerobeat backup``: packs the state directory into one file, and restores it."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from ..client.daemon_client import Client
from ..errors import StoreError, ZerobeatError
from ..state import backup
from ..state.rig_state import UNNAMED, kept_names
from ..state.state_directory import RIGS, SERVICE_STATE, name_of_rig, state_directory
from ..state.state_lock import StateLock
from .output_file import add_force, refuse_existing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat backup friday.tar.gz\n"
        "         zerobeat backup --restore friday.tar.gz\n\n"
        "Packs stored scenes and profiles with their earlier versions, the session and\n"
        "learned switches; while zerobeat plays, too. Your own rig and files are not in it.\n"
        "A restore needs zerobeat stopped. What was stored before is moved to\n"
        f"{backup.BEFORE} in the state directory; a power cut leaves the old or the new."
    )
    parser.add_argument("file", type=Path, help="the backup")
    parser.add_argument("--restore", action="store_true", help="put back what the file holds")
    add_force(parser)
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="the state directory (default: that of the zerobeat that plays, else your own, "
        f"else {SERVICE_STATE})",
    )
    parser.add_argument("--rig", type=Path, help="the rig whose state it is (default: the one)")
    parser.add_argument(
        "--socket", type=Path, help="the daemon's control socket (default: looked for)"
    )


def run(args: argparse.Namespace) -> int:
    directory: Path = args.state or _directory(args.socket, args.rig)
    if args.restore:
        names = _restore(args.file, directory)
        print(f"{args.file}: {_counted(names)} put back into {directory}")
        print(f"what was stored before is in {directory / backup.BEFORE}")
    else:
        refuse_existing([args.file], args.force)
        names = backup.pack(directory, args.file, args.force)
        print(f"{args.file}: {_counted(names)} from {directory}")
    return 0


def _directory(socket: Path | None, rig: Path | None) -> Path:
    """Return the state directory of the running daemon, else the one it would use."""
    try:
        with Client(socket, role="view") as client:
            told = client.status().get("store", {}).get("directory")
        if isinstance(told, str):
            return Path(told)
    except ZerobeatError:
        if socket is not None:
            raise
    own = state_directory()
    if rig is not None:
        return state_directory(name_of_rig(rig) or "")
    kept = kept_names(own)
    if len(kept) > 1:
        names = ", ".join(kept)
        raise StoreError(f"{own}: settings of {names} are kept; say of which: --rig rig.yaml")
    if kept and kept != [UNNAMED]:
        return own / RIGS / kept[0]
    return SERVICE_STATE if not own.exists() and SERVICE_STATE.exists() else own


def _restore(file: Path, directory: Path) -> list[str]:
    backup.read_backup(file)  # first, so that a bad one leaves no trace
    lock = StateLock(directory)
    try:
        if lock.why:
            raise StoreError(f"{lock.why}; nothing was changed")
        names = backup.unpack(file, directory)
        _give_to_owner(directory)
        return names
    finally:
        lock.close()


def _give_to_owner(directory: Path) -> None:
    """After a restore by root, give the files to the owner of the directory, the daemon's user."""
    if os.geteuid() != 0:
        return
    owner = directory.stat()
    for folder, _, files in os.walk(directory):
        for path in (folder, *(os.path.join(folder, name) for name in files)):
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def _counted(names: list[str]) -> str:
    return f"{len(names)} file{'' if len(names) == 1 else 's'}"
