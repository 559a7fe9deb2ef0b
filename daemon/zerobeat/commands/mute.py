"""``zerobeat mute``: let a voice take no more keys."""

from __future__ import annotations

import argparse

from ..asking import add_socket, add_voice, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat mute reed; zerobeat mute all off")
    add_voice(parser, required=True)


def run(args: argparse.Namespace) -> int:
    return ask(args, "mute", voice=args.voice, on=args.state == "on")
