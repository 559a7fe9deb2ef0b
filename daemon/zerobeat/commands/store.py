"""``zerobeat store``: put the live settings into a scene, at once on the disk."""

from __future__ import annotations

import argparse
from typing import Any

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat store\n"
        "         zerobeat store calm\n"
        "         zerobeat store calm --undo\n\n"
        "Answered once it is on the disk. Your own files stay as they are: a store goes\n"
        "to the state directory, and what is stored there is used from then on. The\n"
        "version before is kept; --undo brings it back, and again the newer one.",
    )
    parser.add_argument("scene", nargs="*", help="its title, or a new one (default: the current)")
    parser.add_argument("--undo", action="store_true", help="bring back what was stored before")


def run(args: argparse.Namespace) -> int:
    values: dict[str, Any] = {"scene": " ".join(args.scene)} if args.scene else {}
    if args.undo:
        values["undo"] = True
    return ask(args, "store", **values)
