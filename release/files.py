"""Small helpers for files that are checked by their hash."""

from __future__ import annotations

import hashlib
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from .errors import ReleaseError


def sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def run(
    command: Sequence[str | Path],
    folder: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> str:
    """Run a program; return what it printed.

    Raises:
        ReleaseError: it failed; its last lines are in the text.
    """
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True)
    if done.returncode:
        last = "\n".join((done.stdout + done.stderr).strip().splitlines()[-8:])
        raise ReleaseError(f"{' '.join(map(str, command[:4]))} ... failed:\n{last}")
    return done.stdout
