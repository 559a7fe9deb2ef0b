"""``zerobeat status``: shows what plays, what waits and what is wrong."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import time

from ..client.ask_daemon import add_socket
from ..client.daemon_client import Client
from ..console.large import large_lines
from ..console.screen import screen_lines
from ..console.terminal import Console, Terminal, ascii_only, coloured, is_live, slow_line

CANT_REDRAW = (
    "printed once: TERM=dumb names a terminal that can't redraw; "
    "for a live picture: TERM=vt100 zerobeat status"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat status --once\n\n"
        "Live in a terminal (q or Ctrl-C ends), where it waits for a zerobeat that is not\n"
        "there yet; printed once into a pipe, a file or a terminal that can't redraw.",
    )
    parser.add_argument("--once", action="store_true", help="print once and end")
    parser.add_argument("--large", action="store_true", help="letters to be read two metres away")
    parser.add_argument("--json", action="store_true", help="print once, as JSON")
    parser.add_argument(
        "--no-alternate-screen", action="store_true", help="leave the last picture standing"
    )
    parser.add_argument(
        "--color",
        choices=("auto", "always", "never"),
        default="auto",
        help="default: auto, where the terminal shows them",
    )


def run(args: argparse.Namespace) -> int:
    if args.json or args.once or not is_live(sys.stdout):
        with Client(args.socket, role="view") as client:
            shown = client.status()
        if args.json:
            print(json.dumps(shown, indent=2))
            return 0
        columns = shutil.get_terminal_size((80, 24)).columns or 80
        width = columns - 1  # as wide as the live one
        with_colour = _colour(args.color) if args.color != "auto" or is_live(sys.stdout) else False
        if args.large:
            lines = large_lines(shown, width, None, ascii_only())
        else:
            lines = screen_lines(shown, width, None, {}, ascii_only(), time.time())
        for line in lines:
            print(coloured(line.text, line.mark) if with_colour else line.text)
        if not args.once and sys.stdout.isatty():
            print(CANT_REDRAW, file=sys.stderr)
        return 0
    terminal = Terminal(not args.no_alternate_screen, _colour(args.color))
    at_most_hz = 1.0 if slow_line(sys.stdout.fileno()) else 4.0
    return Console(lambda: Client(args.socket, role="view"), terminal, at_most_hz, args.large).run()


def _colour(asked: str) -> bool:
    if asked != "auto":
        return asked == "always"
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM") not in ("vt100", "vt220")
