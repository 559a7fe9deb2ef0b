"""``zerobeat bypass``: play a voice or all without correction."""

from __future__ import annotations

import argparse

from ..asking import add_socket, add_voice, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat bypass reed on")
    add_voice(parser, required=False)


def run(args: argparse.Namespace) -> int:
    voice, state = args.voice, args.state
    if voice in ("on", "off"):  # zerobeat bypass off
        voice, state = "all", voice
    return ask(args, "bypass", voice=voice, on=state == "on")
