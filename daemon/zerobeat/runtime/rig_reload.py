"""Reload: the rig's files are read in a child process, so that no YAML delays a note."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from ..config.rig import LoadedRig
from ..errors import CommandError
from ..json_value import JsonObject
from ..ports.deferred_answer import Answer, DeferredAnswer
from ..ports.interruptions import Interruptions
from ..state.state_directory import load_rig
from ..text import printable
from .child_process import Child
from .journal import Journal
from .startup_state import StateAccess

UNCHANGED = "the rig in force is unchanged"


class RigReload:
    """Runs at most one child that reads the rig; a request meanwhile starts another after it.

    Args:
        path: the rig's file.
        state: what is stored for it.
        journal: logs each outcome.
        wake: wakes the loop.
        interruptions: what MIDI may interrupt.

    Attributes:
        outcome: of the last reload, in words; "" before the first.
    """

    def __init__(
        self,
        path: Path,
        state: StateAccess,
        journal: Journal,
        wake: Callable[[], None],
        interruptions: Interruptions,
    ) -> None:
        self._path = path
        self._state = state
        self._journal = journal
        self._wake = wake
        self._interruptions = interruptions
        self._next_answers: list[DeferredAnswer] = []  # of the next reload
        self._answers: list[DeferredAnswer] = []  # of the one under way
        self._asked = False
        self._out_of_date = False
        self._child: Child | None = None
        self.outcome = ""

    def start(self) -> None:
        """Ask for a reload; safe in a signal handler."""
        self._asked = True
        self._wake()

    def ask(self, values: JsonObject) -> DeferredAnswer:
        """Ask for a reload; the answer has its outcome.

        Raises:
            CommandError: a value, where none is taken.
        """
        for key in values:
            raise CommandError(f"reload: found {printable(key, 60)}; allowed: nothing more")
        later = DeferredAnswer()
        self._next_answers.append(later)
        self.start()
        return later

    def files_changed(self) -> None:
        """Note that files changed on disk; what is being read now is read again."""
        self._out_of_date = True

    def filenos(self) -> list[int]:
        """Return the descriptors to wait for."""
        return [] if self._child is None else [self._child.fileno()]

    def result(self) -> LoadedRig | None:
        """Go on with a reload; return the new rig once it was read without faults."""
        if self._child is None:
            if self._asked:
                self._begin()
            return None
        child = self._child
        try:
            with self._interruptions:
                outcome = child.outcome()
        except BaseException:
            self._child = None
            child.close()
            self.done(f"reload: the files could not be read; {UNCHANGED}", False)
            raise
        if outcome is None:
            return None
        self._child = None
        if self._out_of_date:
            self._asked = True
            self._wake()
            return None
        answer = outcome.value
        if isinstance(answer, LoadedRig):
            for warning in answer.warnings:
                self._journal.log(warning)
            return answer
        self.done(f"{outcome.error}\nreload: {UNCHANGED}", False)
        return None

    def _begin(self) -> None:
        self._asked = self._out_of_date = False
        self._answers += self._next_answers
        self._next_answers.clear()
        try:
            self._child = Child(load_rig, self._path, self._state.store, self._state.rig_name)
        except Exception as error:
            why = getattr(error, "strerror", None) or type(error).__name__
            self.done(f"reload: no process can be started: {why}; {UNCHANGED}", False)
            if not isinstance(error, OSError | MemoryError):
                raise

    def done(self, outcome: str, in_force: bool) -> None:
        """Log the outcome of a reload and answer all who asked before it began."""
        self.outcome = outcome
        waiting, self._answers = self._answers, []
        if in_force:
            answer: Answer = {"ok": True, "said": outcome}
        else:
            answer = {"ok": False, "error": outcome}
        for later in waiting:
            later.resolve(answer, time.monotonic())
        self._journal.log_lines(outcome)

    def close(self) -> None:
        """End the child if there is one."""
        if self._child is not None:
            self._child.close()
            self._child = None
