"""Writing to disk while playing, without waiting.

The writer's thread waits for the disk, child processes do long checks, and ``step``
handles whatever has finished.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import TypedDict

from ..engine.engine import Engine
from ..errors import CommandError
from ..ports.deferred_answer import Refused
from ..ports.interruptions import Interruptions
from ..state.store_writer import Done, StoreWriter
from .child_process import Child, Outcome
from .journal import Journal
from .startup_state import SessionWriter, StartupState


class DiskStatus(TypedDict):
    """What ``status`` says of the disk."""

    directory: str
    fault: str
    slow: str
    passed_over: list[str]


MOST_JOBS = 16  # that wait for a slow disk; each needs one fsync or more
MOST_CHILDREN = 3
PROBE_DISK_S = 60.0  # how often a disk that failed is tried again


class Persistence:
    """The store writer, the child processes and the session.

    Args:
        startup: the state directory, and what is stored of the session already.
        engine: whose session is kept.
        journal: for what the disk refuses.
        interruptions: what MIDI may interrupt.

    Attributes:
        fault: why nothing was stored last; "" once something was again.
        refusal: why nothing may be written at all; "" if it may.
        passed_over: damaged stored files, and what was used instead.
    """

    def __init__(
        self,
        startup: StartupState,
        engine: Engine,
        journal: Journal,
        interruptions: Interruptions,
    ) -> None:
        self._state = startup.state
        self.store = startup.state.store
        self.fault = self.refusal = refusal = startup.state.refusal
        self.passed_over: tuple[str, ...] = ()
        self._journal = journal
        self._interruptions = interruptions
        self._writer = StoreWriter(self.store)
        self._session_writer = (
            None if refusal else SessionWriter(engine, self._writer, startup.session, interruptions)
        )
        self._callbacks: dict[int, Callable[[Done, float], None]] = {}
        self._children: dict[Child, Callable[[Outcome, float], None]] = {}
        self._done: deque[Done] = deque()
        self._probe_at_s = float("-inf")

    # ------------------------------------------------------------ asking

    def save(
        self,
        folder: str,
        name: str,
        text: str,
        before: str | None,
        callback: Callable[[Done, float], None],
    ) -> None:
        """Store a scene or profile; ``callback`` gets the result.

        Raises:
            CommandError: too many stores wait, or nothing may be written.
        """
        self._allow(f"{folder}/{name}")
        self._callbacks[self._writer.save(folder, name, text, before)] = callback

    def save_bindings(self, text: str, callback: Callable[[Done, float], None]) -> None:
        """Store what ``learn`` wrote; ``callback`` gets the result.

        Raises:
            CommandError: as for ``save``.
        """
        self._allow("bindings")
        self._callbacks[self._writer.save_bindings(text)] = callback

    def _allow(self, what: str) -> None:
        if self.refusal:
            raise CommandError(self.refusal)
        if self._writer.waiting >= MOST_JOBS:
            raise CommandError(
                f"{what}: {self._writer.waiting} stores wait for the disk; try again"
            )

    def work(
        self, callback: Callable[[Outcome, float], None], act: Callable[..., object], *args: object
    ) -> None:
        """Call a function in a child process; ``callback`` gets its outcome.

        Raises:
            CommandError: too much is under way.
        """
        if len(self._children) >= MOST_CHILDREN:
            raise CommandError(f"{MOST_CHILDREN} such requests are under way; try again")
        try:
            self._children[Child(act, *args)] = callback
        except OSError as error:
            raise CommandError(f"no process can be started: {error.strerror}") from None

    # ------------------------------------------------------------ the loop

    def filenos(self) -> list[int]:
        """Return what to wait for."""
        return [self._writer.fileno(), *(child.fileno() for child in self._children)]

    @property
    def wake_at_s(self) -> float | None:
        """When ``step`` has something to do although no descriptor is ready."""
        return None if self._session_writer is None else self._session_writer.wake_at_s

    def step(self, now_s: float) -> None:
        """Handle finished writes and children, and keep the session."""
        for child in tuple(self._children):
            try:
                with self._interruptions:
                    outcome = child.outcome()
            except BaseException:
                child.close()
                outcome = Outcome(error=f"a fault in {child.act.__name__}; the log says more")
                self._children.pop(child)(outcome, now_s)
                raise
            if outcome is not None:
                self._children.pop(child)(outcome, now_s)
        self._done += self._writer.take()
        while self._done:
            self._finish(self._done.popleft(), now_s)
        if self._session_writer is not None:
            self._session_writer.step(now_s)
            if now_s >= self._probe_at_s:
                self._probe_at_s = now_s + PROBE_DISK_S if self.fault else float("inf")
                self._writer.probe()

    def _finish(self, done: Done, now_s: float) -> None:
        if done.is_newer:
            self._journal.log(done.error)
        elif _reason(done.error) != _reason(self.fault):  # one file after another says the same
            self.fault = done.error
            self._probe_at_s = now_s + PROBE_DISK_S if self.fault else float("inf")
            self._journal.log(done.error or f"{self.store.directory}: stored again")
        if self._session_writer is not None:
            self._session_writer.done(done, now_s)
        callback = self._callbacks.pop(done.ticket, None)
        if callback is not None:
            callback(done, now_s)

    def shown(self, now_s: float) -> DiskStatus:
        """Return the status of the disk."""
        return {
            "directory": str(self.store.directory),
            "fault": self.fault,
            "slow": "" if self._session_writer is None else self._session_writer.slowness(now_s),
            "passed_over": list(self.passed_over),
        }

    def note(self, lines: Iterable[str]) -> None:
        """Keep those lines of a load that name a damaged stored file."""
        folder = f"{self.store.directory}/"
        self.passed_over = tuple(
            line[line.index(folder) :].replace(folder, "")
            for line in lines
            if folder in line and not line.endswith("is not")  # it hides the player's own file
        )

    def stop(self, now_s: float) -> None:
        """Finish all writes; returns once they are on the disk."""
        for child in self._children:
            child.close()
        self._children.clear()
        if self._session_writer is not None:
            self._session_writer.finish()
        for done in self._writer.stop():
            self._finish(done, now_s)
        self._state.close()


def _reason(error: str) -> str:
    """Return the cause without the file's name."""
    return error.rpartition(": not stored: ")[2]


def refused(error: str) -> Refused:
    """Return an answer with an error, in one line."""
    return {"ok": False, "error": "; ".join(error.splitlines())}
