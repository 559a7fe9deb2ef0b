"""``zerobeat help``: the help of a command, or the manual page."""

from __future__ import annotations

import argparse
from pathlib import Path

MANUAL = Path(__file__).resolve().parent.parent / "generated" / "zerobeat.1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat help recall\n"
        "  zerobeat help --manual > ~/.local/share/man/man1/zerobeat.1"
    )
    parser.add_argument("about", nargs="?", metavar="COMMAND", help="a command")
    parser.add_argument("--manual", action="store_true", help="print the manual page's source")


def run(args: argparse.Namespace) -> int:
    from ..cli import main  # it runs this command

    if args.manual:
        print(MANUAL.read_text(encoding="utf-8"), end="")
        return 0
    return main([args.about, "--help"] if args.about else ["--help"])
