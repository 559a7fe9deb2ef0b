"""What the daemon keeps on the disk while it plays, and what it knows of that disk.

Nothing here waits: the writer's thread waits for the disk, children check what
takes long, and ``step`` goes on with whatever has come back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from ..engine.engine import Engine
from ..errors import CommandError
from ..state.store_writer import Done, StoreWriter
from .child_process import Child, Outcome
from .journal import Journal
from .startup_state import Evening, Remembering

Values = dict[str, Any]
MOST_JOBS = 16  # a disk that is slower than who asks; each waits for one fsync or more
MOST_CHILDREN = 3
PROBE_S = 60.0  # how often a disk that failed is tried again


class Storing:
    """The writer and the children at work, and the session.

    Args:
        evening: the state directory, and what is stored of the session already.
        engine: whose session is kept.
        journal: for what the disk refuses.

    Attributes:
        fault: why nothing was stored last; "" once something was again.
        refusal: why nothing may be written at all; "" if it may.
        passed_over: stored files that were not used as they stand, and what was instead.
    """

    def __init__(self, evening: Evening, engine: Engine, journal: Journal) -> None:
        self._state = evening.state
        self.store = evening.state.store
        self.fault = self.refusal = refusal = evening.state.refusal
        self.passed_over: tuple[str, ...] = ()
        self._journal = journal
        self._writer = StoreWriter(self.store)
        self._remembering = None if refusal else Remembering(engine, self._writer, evening.session)
        self._then: dict[int, Callable[[Done, float], None]] = {}
        self._children: dict[Child, Callable[[Outcome, float], None]] = {}
        self._probe_at_s = float("-inf")

    # ------------------------------------------------------------ asking

    def save(
        self,
        folder: str,
        name: str,
        text: str,
        before: str | None,
        then: Callable[[Done, float], None],
    ) -> None:
        """Store a scene or profile; ``then`` hears what became of it.

        Raises:
            CommandError: the disk is behind already, or nothing may be written.
        """
        self._allow(f"{folder}/{name}")
        self._then[self._writer.save(folder, name, text, before)] = then

    def save_bindings(self, text: str, then: Callable[[Done, float], None]) -> None:
        """Store what ``learn`` wrote; ``then`` hears what became of it.

        Raises:
            CommandError: as for ``save``.
        """
        self._allow("bindings")
        self._then[self._writer.save_bindings(text)] = then

    def _allow(self, what: str) -> None:
        if self.refusal:
            raise CommandError(self.refusal)
        if self._writer.waiting >= MOST_JOBS:
            raise CommandError(
                f"{what}: {self._writer.waiting} stores wait for the disk; try again"
            )

    def work(
        self, then: Callable[[Outcome, float], None], act: Callable[..., Any], *args: Any
    ) -> None:
        """Call a function in a child; ``then`` hears what came of it.

        Raises:
            CommandError: too much is under way.
        """
        if len(self._children) >= MOST_CHILDREN:
            raise CommandError(f"{MOST_CHILDREN} such requests are under way; try again")
        try:
            self._children[Child(act, *args)] = then
        except OSError as error:
            raise CommandError(f"no process can be started: {error.strerror}") from None

    # ------------------------------------------------------------ the loop

    def filenos(self) -> list[int]:
        """Return what to wait for."""
        return [self._writer.fileno(), *(child.fileno() for child in self._children)]

    @property
    def wake_at_s(self) -> float | None:
        """When ``step`` has something to do although nothing has come back."""
        return None if self._remembering is None else self._remembering.wake_at_s

    def step(self, now_s: float) -> None:
        """Go on with what the disk and the children have done, and with the session."""
        for child in tuple(self._children):
            outcome = child.outcome()
            if outcome is not None:
                self._children.pop(child)(outcome, now_s)
        for done in self._writer.take():
            self._hear(done, now_s)
        if self._remembering is not None:
            self._remembering.step(now_s)
            if now_s >= self._probe_at_s:
                self._probe_at_s = now_s + PROBE_S if self.fault else float("inf")
                self._writer.probe()

    def _hear(self, done: Done, now_s: float) -> None:
        if done.is_newer:
            self._journal.say(done.error)
        elif _reason(done.error) != _reason(self.fault):  # one file after another says the same
            self.fault = done.error
            self._probe_at_s = now_s + PROBE_S if self.fault else float("inf")
            self._journal.say(done.error or f"{self.store.directory}: stored again")
        if self._remembering is not None:
            self._remembering.done(done)
        then = self._then.pop(done.ticket, None)
        if then is not None:
            then(done, now_s)

    def shown(self) -> Values:
        """Return what the status says of the disk."""
        return {
            "directory": str(self.store.directory),
            "fault": self.fault,
            "passed_over": list(self.passed_over),
        }

    def note(self, lines: Iterable[str]) -> None:
        """Keep, of the lines of a load, those that tell of a stored file that was passed over."""
        folder = f"{self.store.directory}/"
        self.passed_over = tuple(
            line[line.index(folder) :].replace(folder, "")
            for line in lines
            if folder in line and not line.endswith("is not")  # it hides the player's own file
        )

    def stop(self, now_s: float) -> None:
        """Finish what was asked for and wait until it is on the disk."""
        for child in self._children:
            child.close()
        self._children.clear()
        if self._remembering is not None:
            self._remembering.finish()
        for done in self._writer.stop():
            self._hear(done, now_s)
        self._state.close()


def _reason(error: str) -> str:
    """Return what is wrong, whichever file it was found at."""
    return error.rpartition(": not stored: ")[2]


def refused(error: str) -> Values:
    """Return the answer that says why not, in one line."""
    return {"ok": False, "error": "; ".join(error.splitlines())}
