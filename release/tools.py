"""The Python packages that make a release, in an environment of their own.

``locks/tools.txt`` fixes their versions: what hatchling writes into a wheel differs between its
versions, and two builds shall not.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from .files import run, sha256
from .targets import LOCKS, cache

WANTED = ("hatchling", "uv")
LOCK = LOCKS / "tools.txt"


def tools() -> Path:
    """Return the Python of the environment with the locked tools; made if need be."""
    folder = cache() / f"tools-{sys.version_info[0]}.{sys.version_info[1]}-{sha256(LOCK)[:12]}"
    python = folder / "bin" / "python"
    if not (folder / "whole").exists():
        shutil.rmtree(folder, ignore_errors=True)
        run([sys.executable, "-m", "venv", folder])
        run([python, *pip("install"), "--require-hashes", "--no-deps", "-r", LOCK])
        (folder / "whole").touch()
    return python


def pip(command: str) -> list[str]:
    return ["-m", "pip", command, "-q", "--disable-pip-version-check", "--no-input"]
