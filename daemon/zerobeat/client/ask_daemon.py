"""Shared by the small commands: arguments, and a request whose answer is printed."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from ..text import printable
from .daemon_client import ANSWER_S, Client

ON_STAGE = ("recall", "trigger", "cancel", "bypass", "mute")  # of role stage


def add_socket(parser: argparse.ArgumentParser, example: str) -> None:
    """Add ``--socket`` and an example to a command."""
    parser.epilog = f"example: {example}"
    parser.add_argument(
        "--socket", type=Path, help="the daemon's control socket (default: looked for)"
    )


def add_voice(parser: argparse.ArgumentParser, required: bool) -> None:
    """Add a voice and on or off to a command."""
    if required:
        parser.add_argument("voice", help="a voice, or all with off")
    else:
        parser.add_argument("voice", nargs="?", default="all", help="a voice (default: all)")
    parser.add_argument("state", nargs="?", choices=("on", "off"), default="on", help="default: on")


def ask_and_print(
    args: argparse.Namespace, command: str, within_s: float = ANSWER_S, **values: Any
) -> int:
    """Send one command, print the answer's line, and return the exit status."""
    role: str | None = "stage" if command in ON_STAGE else "all"
    if command == "panic":
        role = None  # then it needs no seat
    with Client(args.socket, within_s, role) as client:
        print(printable(str(client.ask(command, **values).get("said", "done"))))
    return 0


def value_of(text: str) -> Any:
    """Return a value from the command line: a number, true, false, null, else text.

    A list or a table is written as JSON, or as in a file: ``[key, {clock: {every: 2}}]``.
    """
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        if not text.startswith(("[", "{")):
            return text
        import yaml  # imported here: commands start faster without it

        try:
            return yaml.safe_load(text)
        except (yaml.YAMLError, RecursionError):
            return text
    return text if isinstance(found, str) else found
