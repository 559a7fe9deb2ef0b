"""What a file must know of the rig that names it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from ..errors import StoreError
from . import durable
from .faults import Faults, Place
from .find import find, hidden_by, is_stored, not_found
from .store import FOLDERS


@dataclass(slots=True)
class Context:
    """The rig around a file, as far as it has been read.

    A file that is read alone has no rig: ``voices`` and ``inputs`` are None
    then, and names are not checked.
    """

    folder: Path
    faults: Faults = field(default_factory=Faults)
    middle_c_octave: int = 4
    program_numbers_from: int = 1
    voices: tuple[str, ...] | None = None
    inputs: tuple[str, ...] | None = None
    drones: frozenset[str] = frozenset()  # voices with gate: ignored
    has_clock: bool = True
    unknown_voices_are_faults: bool = True  # False for what the daemon stored itself
    files_read: list[Path] = field(default_factory=list)

    def look_up(self, name: str, kinds: tuple[str, ...], place: Place) -> Path | None:
        """Return the file a name means, noted as read; a fault is added if there is none."""
        path = find(name, kinds, self.folder)
        if path is None:
            self.faults.add(place, f"found {name}: {not_found(name, kinds, self.folder)}")
            return None
        return self.take(path, name, kinds, place)

    def take(
        self, path: Path, name: str, kinds: tuple[str, ...], place: Place, in_folders: bool = False
    ) -> Path | None:
        """Return a found file, noted as read; of a stored one, the generation that is whole.

        What is hidden or passed over becomes a warning, and a stored file of
        which nothing can be read a fault.
        """
        hidden = hidden_by(path, name, kinds, self.folder, in_folders)
        if hidden is not None:
            self.faults.warn(place, f"{path} is used; {hidden} of the same name is not")
        if is_stored(path) and path.parent.name in FOLDERS:
            try:
                newest = durable.newest(path)
            except StoreError as error:
                self.faults.add(place, f"found {error}")
                return None
            for warning in newest.warnings:
                self.faults.warn(place, warning)
            path = newest.path
        self.note_read(path)
        return path

    def is_stored(self, path: Path) -> bool:
        """Return whether the daemon wrote this file itself."""
        return is_stored(path)

    def name_of(self, path: Path) -> str:
        """Return what a file is called, whichever generation of it is read."""
        return durable.plain_stem(path) if is_stored(path) else path.stem

    def note_read(self, path: Path) -> None:
        if path not in self.files_read:
            self.files_read.append(path)
