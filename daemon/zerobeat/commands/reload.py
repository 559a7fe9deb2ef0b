"""``zerobeat reload``: read the rig's files again, while it plays."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask

READ_S = 30.0  # a small computer with many scenes takes seconds; notes go on meanwhile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat reload")


def run(args: argparse.Namespace) -> int:
    return ask(args, "reload", READ_S)
