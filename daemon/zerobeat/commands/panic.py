"""``zerobeat panic``: release every note."""

from __future__ import annotations

import argparse

from ..asking import add_socket, ask


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(parser, "zerobeat panic")


def run(args: argparse.Namespace) -> int:
    return ask(args, "panic")
