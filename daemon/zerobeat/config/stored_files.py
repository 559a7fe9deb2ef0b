"""What the reader of a rig needs of the files that the daemon stored: see ``state/store.py``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

STORED_KINDS = ("scenes", "profiles")  # folders of the state directory in which files are stored


class StoredFile(Protocol):
    """The generation that a load uses, and a warning for a newer one that could not be used."""

    @property
    def path(self) -> Path: ...

    @property
    def warnings(self) -> tuple[str, ...]: ...


class StoredFiles(Protocol):
    """Scenes and profiles that the daemon stored, each with its generations."""

    @property
    def directory(self) -> Path:
        """The state directory."""

    def path(self, folder: str, name: str) -> Path:
        """Return the file of a scene or profile; raises ``StoreError`` for an impossible name."""

    def names(self, folder: str) -> list[str]:
        """Return the stored names in one of ``STORED_KINDS``, in order."""

    def exists(self, path: Path) -> bool:
        """Return whether any generation of a stored file exists."""

    def newest(self, path: Path) -> StoredFile:
        """Return the newest generation that is whole; raises ``StoreError`` if there is none."""

    def valid_generations(self, path: Path) -> Iterator[Path]:
        """Yield the files of all generations of ``path`` that are whole, newest first."""

    def plain_path(self, path: Path) -> Path:
        """Return the file that all generations of ``path`` belong to: slow.yaml of slow.1.yaml."""


def is_stored(path: Path, stored: StoredFiles | None) -> bool:
    """Return whether the daemon wrote this file itself."""
    return stored is not None and path.is_relative_to(stored.directory)


def has_generations(path: Path, stored: StoredFiles | None) -> bool:
    """Return whether this file is a stored scene or profile."""
    return is_stored(path, stored) and path.parent.name in STORED_KINDS
