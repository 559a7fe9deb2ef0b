"""One rule for every file that a command writes: what is there stays, unless ``--force``."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterable
from pathlib import Path

from ..errors import StoreError


def add_force(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--force", action="store_true", help="write over what is there")


def refuse_existing(files: Iterable[Path], force: bool) -> None:
    """Refuse files that are there, also links that lead nowhere; to be asked before any work.

    Raises:
        StoreError: one is there, and ``force`` is False.
    """
    there = [] if force else [path for path in files if os.path.lexists(path)]
    if there:
        raise StoreError(
            f"{', '.join(map(str, there))}: found there already, left as it is; name another, "
            "or write over it with --force"
        )
