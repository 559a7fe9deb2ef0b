"""``zerobeat recall``: recall a scene; it lands as the hold says."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat recall drone")
    parser.add_argument("scene", nargs="+", help="its title")


def run(args: argparse.Namespace) -> int:
    return ask(args, "recall", scene=" ".join(args.scene))
