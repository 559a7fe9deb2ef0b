"""``zerobeat solo``: let one voice sound alone."""

from __future__ import annotations

import argparse

from ..asking import add_socket, add_voice, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat solo reed; zerobeat solo all off")
    add_voice(parser, required=True)


def run(args: argparse.Namespace) -> int:
    return ask(args, "solo", voice=args.voice, on=args.state == "on")
