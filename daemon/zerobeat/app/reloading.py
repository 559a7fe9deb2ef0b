"""A reload's files are read in a child process, so that no YAML delays a note."""

from __future__ import annotations

from pathlib import Path

from ..config.rig import LoadedRig, load_rig
from .child import Child
from .journal import Journal


class Reloading:
    """At most one child that reads the rig; a request meanwhile starts another after it.

    ``outcome`` is what the last reload came to, in words; "" before the first.
    """

    def __init__(self, path: Path, journal: Journal) -> None:
        self._path = path
        self._journal = journal
        self._asked = False
        self._old = False
        self._child: Child | None = None
        self.outcome = ""

    def start(self) -> None:
        """Ask for a reload; safe in a signal handler."""
        self._asked = True

    def files_changed(self) -> None:
        """Say that what is being read now may be out of date; it is read again."""
        self._old = True

    def filenos(self) -> list[int]:
        """Return what to wait for."""
        return [] if self._child is None else [self._child.fileno()]

    def result(self) -> LoadedRig | None:
        """Go on with a reload; return the new rig once it is read and without faults."""
        if self._child is None:
            if self._asked:
                self._asked = self._old = False
                self._child = Child(load_rig, self._path)
            return None
        outcome = self._child.outcome()
        if outcome is None:
            return None
        self._child = None
        if self._old:
            self._asked = True
            return None
        answer = outcome.value
        if isinstance(answer, LoadedRig):
            for warning in answer.warnings:
                self._journal.say(warning)
            return answer
        self.outcome = f"{outcome.error}\nreload: the rig in force is unchanged"
        self._journal.say(self.outcome)
        return None

    def close(self) -> None:
        """End the child if there is one."""
        if self._child is not None:
            self._child.close()
            self._child = None
