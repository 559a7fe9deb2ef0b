"""Locked Debian packages: all that a bare system lacks before the program can start.

A bare system is what Debian's installer leaves with nothing chosen: the packages of the
priorities ``required`` and ``important``. apt itself resolves, in a folder of its own, with the
mirror that this machine uses; the lock file holds names, versions and hashes only.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from .errors import ReleaseError
from .files import locked_lines, run, sha256
from .targets import Target, cache

KEYS = "/usr/share/keyrings/debian-archive-keyring.gpg"
BARE_PRIORITIES = {"required", "important"}
LINE = re.compile(r"^(?P<name>\S+) (?P<version>\S+) (?P<machine>\S+) sha256:(?P<sha256>\S{64})$")
URI = re.compile(r"^'(?P<uri>[^']+)' (?P<file>\S+) \d+ ")


@dataclass(frozen=True, slots=True)
class LockedDebian:
    """One line of a lock file of Debian packages."""

    name: str
    version: str
    machine: str
    sha256: str

    def __str__(self) -> str:
        return f"{self.name} {self.version} {self.machine} sha256:{self.sha256}"

    @property
    def file(self) -> str:
        """Its file's name, as apt writes it: an epoch's colon is escaped."""
        return f"{self.name}_{self.version.replace(':', '%3a')}_{self.machine}.deb"


def read_lock(path: Path) -> list[LockedDebian]:
    """Return the lines of a lock file.

    Raises:
        ReleaseError: a line is none.
    """
    return [
        LockedDebian(**line)
        for line in locked_lines(path, LINE, "NAME VERSION MACHINE sha256:HASH")
    ]


def _sources(target: Target) -> str:
    """Return apt's sources for the target, on the mirrors that this machine uses.

    Raises:
        ReleaseError: this is no Debian with sources of its own.
    """
    wanted = ["Created-By: Packages", "Origin: Debian"]
    told = run(["apt-get", "indextargets", "--format", "$(REPO_URI) $(CODENAME)", *wanted])
    pairs = sorted({(line.split()[0], line.split()[1]) for line in told.splitlines()})
    if not pairs:
        raise ReleaseError("apt knows no Debian mirror: run apt-get update on a Debian system")
    here = min((codename for _, codename in pairs), key=len)
    signed = f"deb [signed-by={KEYS}]"
    lines = [f"{signed} {uri} {name.replace(here, target.codename)} main" for uri, name in pairs]
    return "".join(f"{line}\n" for line in lines)


class Apt:
    """apt for one target, in a folder of its own; nothing of this machine's is touched."""

    def __init__(self, target: Target) -> None:
        self._target = target
        folder = cache() / "apt" / target.name
        for part in ("lists/partial", "cache/archives/partial", "parts"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        (folder / "status").touch()
        (folder / "sources.list").write_text(_sources(target))
        machine = target.debian_machine
        (folder / "apt.conf").write_text(
            f'Dir::State::lists "{folder}/lists";\n'
            f'Dir::State::status "{folder}/status";\n'
            f'Dir::Cache "{folder}/cache";\n'
            f'Dir::Etc::sourcelist "{folder}/sources.list";\n'
            f'Dir::Etc::sourceparts "{folder}/parts";\n'
            f'APT::Architecture "{machine}";\nAPT::Architectures {{ "{machine}"; }};\n'
            'APT::Install-Recommends "false";\nAPT::Sandbox::User "root";\n'
        )
        self._environment = os.environ | {"APT_CONFIG": str(folder / "apt.conf")}

    def _run(self, *command: str, folder: Path | None = None) -> str:
        return run(command, folder, self._environment)

    def update(self) -> None:
        self._run("apt-get", "update", "-qq")

    def bare(self) -> list[str]:
        """Return the packages of a bare system, by their priority."""
        found: set[str] = set()
        name = ""
        for line in self._run("apt-cache", "dumpavail").splitlines():
            field, _, value = line.partition(": ")
            if field == "Package":
                name = value
            elif field == "Priority" and value in BARE_PRIORITIES:
                found.add(name)
        return sorted(found)

    def files(self, *names: str) -> set[str]:
        """Return the files of these packages and all that they need."""
        command = ["apt-get", "install", "-y", "-qq", "--print-uris", *names]
        return {
            match["file"] for match in map(URI.match, self._run(*command).splitlines()) if match
        }

    def download(self, names: list[str], folder: Path) -> None:
        """Download packages given as NAME=VERSION into a folder."""
        self._run("apt-get", "download", "-qq", *names, folder=folder)


def lacking(target: Target) -> list[LockedDebian]:
    """Return what a bare system of the target lacks now, by name; also downloads it."""
    apt = Apt(target)
    apt.update()
    bare = apt.bare()
    files = sorted(apt.files(*bare, *target.wanted) - apt.files(*bare))
    folder = cache() / "debs"
    folder.mkdir(exist_ok=True)
    parts = [file.removesuffix(".deb").replace("%3a", ":").split("_") for file in files]
    apt.download([f"{name}={version}" for name, version, _ in parts], folder)
    return [
        LockedDebian(name, version, machine, sha256(folder / file))
        for (name, version, machine), file in zip(parts, files, strict=True)
    ]


def fetch(target: Target) -> list[Path]:
    """Return the files of the target's lock, in its order; download what is missing.

    Raises:
        ReleaseError: a version is no longer offered, or a file has another hash.
    """
    folder = cache() / "debs"
    folder.mkdir(exist_ok=True)
    locked = read_lock(target.debian_packages)
    missing = [line for line in locked if not (folder / line.file).exists()]
    if missing:
        apt = Apt(target)
        apt.update()
        try:
            apt.download([f"{line.name}={line.version}" for line in missing], folder)
        except ReleaseError as error:
            raise ReleaseError(
                f"{target.debian_packages.name}: a version is no longer offered; "
                f"run release/lock {target.name}\n{error}"
            ) from None
    for line in locked:
        found = sha256(folder / line.file)
        if found != line.sha256:
            raise ReleaseError(f"{line.file}: found {found}; the lock file says {line.sha256}")
    return [folder / line.file for line in locked]
