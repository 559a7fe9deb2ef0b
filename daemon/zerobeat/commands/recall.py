"""``zerobeat recall``: recall a scene; it lands as the hold says."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat recall drone\n"
        "         zerobeat recall next\n"
        "         zerobeat recall 5        (the scene of program 5)",
    )
    parser.add_argument("scene", nargs="+", help="a title, next, previous or a program's number")


def run(args: argparse.Namespace) -> int:
    return ask(args, "recall", scene=" ".join(args.scene))
