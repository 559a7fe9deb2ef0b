"""A reload's files are read in a child process, so that no YAML delays a note."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..config.rig import LoadedRig
from ..errors import CommandError
from ..ports.deferred_answer import Later
from ..state.state_directory import load_rig
from .child_process import Child
from .journal import Journal


class Reloading:
    """At most one child that reads the rig; a request meanwhile starts another after it.

    Args:
        path: the rig's file.
        journal: told of each outcome.
        wake: lets the loop turn at once.

    Attributes:
        outcome: what the last reload came to, in words; "" before the first.
    """

    def __init__(self, path: Path, journal: Journal, wake: Callable[[], None]) -> None:
        self._path = path
        self._journal = journal
        self._wake = wake
        self._asking: list[Later] = []  # of the next reload
        self._waiting: list[Later] = []  # of the one under way
        self._asked = False
        self._old = False
        self._child: Child | None = None
        self.outcome = ""

    def start(self) -> None:
        """Ask for a reload; safe in a signal handler."""
        self._asked = True
        self._wake()

    def ask(self, values: dict[str, Any]) -> Later:
        """Ask for a reload; the answer tells what came of it.

        Raises:
            CommandError: a value, where none is taken.
        """
        for key in values:
            raise CommandError(f"reload: found {key}; allowed: nothing more")
        later = Later()
        self._asking.append(later)
        self.start()
        return later

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
                self._waiting += self._asking
                self._asking.clear()
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
        self.done(f"{outcome.error}\nreload: the rig in force is unchanged", False)
        return None

    def done(self, outcome: str, in_force: bool) -> None:
        """Tell what a reload came to, to everybody who had asked before it began."""
        self.outcome = outcome
        self._journal.say(outcome)
        if in_force:
            answer: dict[str, Any] = {"ok": True, "said": outcome}
        else:
            answer = {"ok": False, "error": outcome}
        waiting, self._waiting = self._waiting, []
        for later in waiting:
            later.tell(answer, time.monotonic())

    def close(self) -> None:
        """End the child if there is one."""
        if self._child is not None:
            self._child.close()
            self._child = None
