"""The rig around a file, which the reader of the file needs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self, TypeVar

from ..engine.settings import Rig
from ..errors import StoreError
from .faults import Faults, Place
from .file_lookup import find_file, hidden_by, not_found
from .stored_files import StoredFiles, has_generations, is_stored

Content = TypeVar("Content")


@dataclass(slots=True)
class Context:
    """The rig around a file, as far as it has been read.

    ``stored`` is what the daemon stored; None reads the player's own files alone.

    A file that is read alone has no rig: ``voices`` and ``inputs`` are None
    then, and names are not checked.
    """

    folder: Path
    stored: StoredFiles | None = None
    faults: Faults = field(default_factory=Faults)
    middle_c_octave: int = 4
    program_numbers_from: int = 1
    voices: tuple[str, ...] | None = None
    inputs: tuple[str, ...] | None = None
    drones: frozenset[str] = frozenset()  # voices with gate: ignored
    tuning_from: str | None = None  # the input whose tuning messages set the scales
    has_clock: bool = True
    unknown_voices_are_faults: bool = True  # False for files that the daemon stored
    lacking: list[str] | None = None  # if given, collects what the rig lacks, instead of faults
    files_read: list[Path] = field(default_factory=list)

    @classmethod
    def of_rig(
        cls,
        rig: Rig,
        folder: Path,
        stored: StoredFiles | None,
        faults: Faults | None = None,
        unknown_voices_are_faults: bool = True,
    ) -> Self:
        """Return the context of a rig that is known whole.

        Args:
            rig: with its voices and inputs.
            folder: where the files that it names stand.
            stored: what the daemon stored; None reads the player's own files alone.
            faults: added to; None begins new ones.
            unknown_voices_are_faults: False for what the daemon stored itself.
        """
        return cls(
            folder,
            stored,
            faults if faults is not None else Faults(),
            middle_c_octave=rig.middle_c_octave,
            program_numbers_from=rig.program_numbers_from,
            voices=tuple(voice.name for voice in rig.voices),
            inputs=tuple(source.name for source in rig.inputs),
            drones=frozenset(voice.name for voice in rig.voices if voice.gate_ignored),
            has_clock=rig.clock_from is not None,
            unknown_voices_are_faults=unknown_voices_are_faults,
        )

    def look_up(self, name: str, kinds: tuple[str, ...], place: Place) -> Path | None:
        """Return the file that a name refers to, recorded as read; None with a fault if missing."""
        if self.faults.full:
            self.faults.add(place, f"found {name}; not looked for")
            return None
        path = find_file(name, kinds, self.folder, stored=self.stored)
        if path is None:
            self.faults.add(
                place, f"found {name}: {not_found(name, kinds, self.folder, self.stored)}"
            )
            return None
        return self.take(path, name, kinds, place)

    def take(
        self, path: Path, name: str, kinds: tuple[str, ...], place: Place, in_folders: bool = False
    ) -> Path | None:
        """Return a found file and record it as read; of a stored one, the newest usable generation.

        A hidden file and an unusable generation become warnings; a stored file without any
        usable generation becomes a fault.
        """
        hidden = hidden_by(path, name, kinds, self.folder, in_folders, self.stored)
        if self.stored is not None and has_generations(path, self.stored):
            try:
                newest = self.stored.newest(path)
            except StoreError as error:
                if hidden is None:
                    self.faults.add(place, f"found {error}")
                    return None
                self.faults.warn(place, f"{error}; {hidden} is used")
                self.note_read(hidden)
                return hidden
            if hidden is not None:
                self.faults.warn(place, f"{path} is used; {hidden} of the same name is not")
            for warning in newest.warnings:
                self.faults.warn(place, warning)
            path = newest.path
        elif hidden is not None:
            self.faults.warn(place, f"{path} is used; {hidden} of the same name is not")
        self.note_read(path)
        return path

    def read_found(
        self,
        path: Path,
        read: Callable[[Path], Content | None],
        name: str,
        kinds: tuple[str, ...],
        place: Place,
    ) -> Content | None:
        """Return the content of a found file.

        If a stored file has faults, edited by hand perhaps, the newest earlier generation
        without faults is read instead, then the player's own file of the same name. If
        there is none either, the faults of the stored file are added.
        """
        if not has_generations(path, self.stored):
            return read(path)
        outer = self.faults
        first: Faults | None = None
        for candidate in (path, *self._instead_of(path, name, kinds)):
            self.faults = Faults()
            value = read(candidate)
            own, self.faults = self.faults, outer
            if value is not None and not own.problems:
                outer.warnings += own.warnings
                if first is not None:
                    outer.warn(place, f"{first.lines()[0]}; {candidate} is used")
                return value
            first = first or own
        assert first is not None
        outer.problems += first.problems
        return None

    def _instead_of(self, path: Path, name: str, kinds: tuple[str, ...]) -> Iterator[Path]:
        assert self.stored is not None
        plain = self.stored.plain_path(path)
        for candidate in self.stored.valid_generations(plain):
            if candidate != path:
                yield candidate
        hidden = hidden_by(plain, name, kinds, self.folder, stored=self.stored)
        if hidden is not None:
            yield hidden

    def is_stored(self, path: Path) -> bool:
        """Return whether the daemon wrote this file itself."""
        return is_stored(path, self.stored)

    def name_of(self, path: Path) -> str:
        """Return the name of a file, the same for all its generations."""
        if self.stored is not None and self.is_stored(path):
            return self.stored.plain_path(path).stem
        return path.stem

    def note_read(self, path: Path) -> None:
        if path not in self.files_read:
            self.files_read.append(path)
