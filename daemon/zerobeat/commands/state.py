"""``zerobeat state``: what is kept for which rig, and giving it to another."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import StoreError
from ..runtime_directory import Lock, make_runtime_directory, runtime_directory
from ..state.rig_state import UNNAMED, adopt, kept_names
from ..state.state_directory import name_of_rig, state_directory


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat state\n"
        "         zerobeat state --adopt 'old case' rig.yaml\n\n"
        "Stored scenes, profiles, the session and learned switches belong to a rig by its\n"
        f"name: line. {UNNAMED} is what rigs without a name share. --adopt gives what is kept\n"
        "under a name to the rig; zerobeat must be stopped. What that rig had is put aside."
    )
    parser.add_argument("--adopt", metavar="NAME", help="what the rig is to have from now on")
    parser.add_argument(
        "rig", nargs="?", default="rig.yaml", type=Path, help="the rig (default: rig.yaml)"
    )


def run(args: argparse.Namespace) -> int:
    base = state_directory()
    if args.adopt is None:
        names = kept_names(base)
        print(f"kept in {base}: {', '.join(names) or 'nothing'}")
        return 0
    name = name_of_rig(args.rig)
    if not name:
        raise StoreError(f"{args.rig}: has no name to keep it under; write one, such as name: case")
    folder = runtime_directory()
    make_runtime_directory(folder)
    lock = Lock(folder)  # refuses while a daemon plays
    try:
        adopt(args.adopt, name)
    finally:
        lock.close()
    print(f"{name} has what was kept under {args.adopt}: {state_directory(name)}")
    return 0
