"""``zerobeat revert``: drop changes since the scene was recalled or stored."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat revert")


def run(args: argparse.Namespace) -> int:
    return ask(args, "revert")
