"""Small helpers for files that are checked by their hash, and for what lists them."""

from __future__ import annotations

import hashlib
import re
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


def locked_lines(path: Path, form: re.Pattern[str], allowed: str) -> list[dict[str, str]]:
    """Return the named groups of each line of a lock file; empty lines and comments are left out.

    Raises:
        ReleaseError: a line has not the form, of which ``allowed`` tells in words.
    """
    found = []
    for number, line in enumerate(path.read_text().splitlines(), 1):
        if not line or line.startswith("#"):
            continue
        match = form.match(line)
        if match is None:
            raise ReleaseError(f"{path.name}:{number}: found {line!r}; allowed: {allowed}")
        found.append(match.groupdict())
    return found
