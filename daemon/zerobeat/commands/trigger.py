"""``zerobeat trigger``: end the wait."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat trigger")


def run(args: argparse.Namespace) -> int:
    return ask(args, "trigger")
