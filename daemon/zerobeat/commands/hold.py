"""``zerobeat hold``: how long a changed setting waits."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat hold trigger")
    parser.add_argument("hold", choices=("none", "note", "trigger", "sample"))
    parser.add_argument("--voice", help="one voice alone (default: the scene)")


def run(args: argparse.Namespace) -> int:
    values = {} if args.voice is None else {"voice": args.voice}
    return ask(args, "hold", hold=args.hold, **values)
