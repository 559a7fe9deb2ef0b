"""``zerobeat help``: the help of a command, or a manual page."""

from __future__ import annotations

import argparse
from pathlib import Path

MANUAL = Path(__file__).resolve().parent.parent / "generated" / "man"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n  zerobeat help recall\n  zerobeat help --manual recall > zerobeat-recall.1"
    )
    parser.add_argument("about", nargs="?", metavar="COMMAND", help="a command")
    parser.add_argument("--manual", action="store_true", help="print a manual page's source")


def run(args: argparse.Namespace) -> int:
    from ..cli import main  # it runs this command

    page = MANUAL / (f"zerobeat-{args.about}.1" if args.about else "zerobeat.1")
    if args.manual and page.is_file():
        print(page.read_text(encoding="utf-8"), end="")
        return 0
    return main([args.about, "--help"] if args.about else ["--help"])
