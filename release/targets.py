"""The systems that a version is made for, and where this tree keeps what they need."""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from .errors import ReleaseError

ROOT = Path(__file__).resolve().parent.parent
LOCKS = ROOT / "release" / "locks"
OLDEST_GLIBC = 17  # manylinux2014; older tags are no longer built


@dataclass(frozen=True, slots=True)
class Target:
    """One Debian release on one architecture.

    ``glibc`` is the highest minor version of a wheel's tag that its C library runs. ``wanted``
    names the Debian packages that the program needs on top of a bare system.
    """

    debian: int
    codename: str
    python: str
    glibc: int
    machine: str
    wanted: tuple[str, ...]

    @property
    def name(self) -> str:
        return f"debian-{self.debian}-{self.machine}"

    @property
    def debian_machine(self) -> str:
        return {"x86_64": "amd64", "aarch64": "arm64"}[self.machine]

    @property
    def requirements(self) -> Path:
        return LOCKS / f"{self.name}.txt"

    @property
    def debian_packages(self) -> Path:
        return LOCKS / f"{self.name}.debs.txt"

    @property
    def uses_system_packages(self) -> bool:
        """True where python-rtmidi comes from Debian: it has no wheel for this Python."""
        return "python3-rtmidi" in self.wanted

    def pip_options(self) -> list[str]:
        """Return what makes pip choose this target's wheels on any machine."""
        tags = [f"manylinux_2_{minor}" for minor in range(self.glibc, OLDEST_GLIBC - 1, -1)]
        options = ["--only-binary=:all:", "--no-deps", "--implementation=cp"]
        options.append(f"--python-version={self.python}")
        return options + [f"--platform={tag}_{self.machine}" for tag in (*tags, "manylinux2014")]


MACHINES = ("x86_64", "aarch64")
TARGETS = tuple(
    Target(debian, codename, python, glibc, machine, ("python3-venv", "libportaudio2", *more))
    for debian, codename, python, glibc, more in (
        (12, "bookworm", "3.11", 36, ("libasound2",)),
        (13, "trixie", "3.13", 40, ("libasound2t64", "python3-rtmidi")),
    )
    for machine in MACHINES
)


def targets(names: list[str]) -> list[Target]:
    """Return the targets of these names, or all.

    Raises:
        ReleaseError: a name is not one.
    """
    known = {target.name: target for target in TARGETS}
    for name in names:
        if name not in known:
            raise ReleaseError(f"target: found {name}; allowed: {', '.join(known)}")
    return [known[name] for name in names] or list(TARGETS)


def version() -> str:
    """Return the version that the tree says it is.

    Raises:
        ReleaseError: pyproject.toml and the package do not say the same.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    said = re.search(
        r'^__version__ = "(.*)"$', (ROOT / "daemon/zerobeat/__init__.py").read_text(), re.MULTILINE
    )
    if said is None or said[1] != project["version"]:
        raise ReleaseError(
            f"daemon/zerobeat/__init__.py: found {said and said[1]}; "
            f"pyproject.toml says {project['version']}"
        )
    return str(project["version"])


def cache() -> Path:
    """Return the folder for what was downloaded; it may be removed at any time."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    folder = Path(base) / "zerobeat-release"
    folder.mkdir(parents=True, exist_ok=True)
    return folder
