"""A small file system of its own, to fill and to make read-only."""

from __future__ import annotations

import contextlib
import os
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@contextlib.contextmanager
def small_disk(kilobytes: int) -> Iterator[Path]:
    """Mount one in memory; its path is short, for a socket. Skips the test where it can't."""
    if os.getuid() != 0:
        pytest.skip("needs root, to mount a small file system")
    folder = Path(tempfile.mkdtemp(prefix="zb"))
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k,mode=755", "none", str(folder)]
    done = subprocess.run(mount, capture_output=True, text=True)
    if done.returncode != 0:
        folder.rmdir()
        pytest.skip(f"no file system can be mounted here: {done.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)
    folder.rmdir()


def remount(disk: Path, how: str) -> None:
    """Make it ``ro`` or ``rw``."""
    subprocess.run(["mount", "-o", f"remount,{how}", str(disk)], check=True)
