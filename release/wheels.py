"""Locked Python packages: one line each with its version and the hash of the target's wheel."""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

from .files import locked_lines, run, sha256
from .targets import Target, cache
from .tools import pip, tools

LINE = re.compile(r"^(?P<name>[\w.-]+)==(?P<version>\S+) --hash=sha256:(?P<sha256>[0-9a-f]{64})$")


@dataclass(frozen=True, slots=True)
class Locked:
    """One line of a lock file."""

    name: str
    version: str
    sha256: str

    def __str__(self) -> str:
        return f"{self.name}=={self.version} --hash=sha256:{self.sha256}"


def read_lock(path: Path) -> list[Locked]:
    """Return the lines of a lock file.

    Raises:
        ReleaseError: a line is none.
    """
    return [Locked(**line) for line in locked_lines(path, LINE, "NAME==VERSION --hash=sha256:HASH")]


def fetch(target: Target) -> list[Path]:
    """Return the target's wheels, in the order of the lock file; download what is missing.

    Raises:
        ReleaseError: a package can't be had, or has another hash.
    """
    folder = cache() / "wheels"
    folder.mkdir(exist_ok=True)
    locked = read_lock(target.requirements)
    there = {sha256(path): path for path in sorted(folder.glob("*.whl"))}
    if any(line.sha256 not in there for line in locked):
        options = ["--require-hashes", "-r", str(target.requirements), "-d", str(folder)]
        run([tools(), *pip("download"), *target.pip_options(), *options])
        there = {sha256(path): path for path in sorted(folder.glob("*.whl"))}
    return [there[line.sha256] for line in locked]


def download(target: Target, name: str, version: str) -> Locked:
    """Download the wheel that the target would take; return its line for the lock file."""
    with tempfile.TemporaryDirectory() as folder:
        wanted = [f"{name}=={version}", "-d", folder]
        run([tools(), *pip("download"), *target.pip_options(), *wanted])
        (wheel,) = Path(folder).iterdir()
        return Locked(name, version, sha256(wheel))
