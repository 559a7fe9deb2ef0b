"""Where the program that runs came from: a package, a stage bundle, pip or a source tree."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from . import __version__

VERSION = __version__
ORIGIN_FILE = "zerobeat-origin"  # in the environment; written by what installs there


def origin(environment: Path | None = None) -> str:
    """Return where this program came from, in a few words.

    Args:
        environment: the virtual environment; the one that runs if not given.

    Source: PEP 610 for the record that pip leaves.
    """
    try:
        named = ((environment or Path(sys.prefix)) / ORIGIN_FILE).read_text(errors="replace")
    except OSError:
        named = ""
    lines = named.splitlines()
    if lines and lines[0].strip():
        return lines[0].strip()
    return _by_pip()


def _by_pip() -> str:
    from importlib.metadata import PackageNotFoundError, distribution

    try:
        record = distribution("zerobeat").read_text("direct_url.json")
    except PackageNotFoundError:
        return "source tree, not installed"
    try:
        direct = json.loads(record or "{}")
    except ValueError:
        direct = {}
    if "dir_info" not in direct:
        return "pip"
    return "source tree" if direct["dir_info"].get("editable") else "pip, from a source tree"
