"""What the daemon keeps on the disk while it plays, and what it knows of that disk.

Nothing here waits: the writer's thread waits for the disk, children check what
takes long, and ``step`` goes on with whatever has come back.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ..config.store import Store
from ..config.store_writer import Done, StoreWriter
from ..errors import CommandError
from .child import Child, Outcome
from .journal import Journal

MOST_JOBS = 16  # a disk that is slower than who asks; each waits for one fsync or more
MOST_CHILDREN = 3


class Storing:
    """The writer and the children at work.

    Args:
        store: the state directory.
        journal: for what the disk refuses.

    Attributes:
        fault: what the disk said last; "" once something was stored again.
    """

    def __init__(self, store: Store, journal: Journal) -> None:
        self.store = store
        self.fault = ""
        self._journal = journal
        self._writer = StoreWriter(store)
        self._then: dict[int, Callable[[Done, float], None]] = {}
        self._children: dict[Child, Callable[[Outcome, float], None]] = {}

    # ------------------------------------------------------------ asking

    def save(
        self, folder: str, name: str, text: str, before: str | None,
        then: Callable[[Done, float], None],
    ) -> None:  # fmt: skip
        """Store a scene or profile; ``then`` hears what became of it.

        Raises:
            CommandError: the disk is behind already.
        """
        if self._writer.waiting >= MOST_JOBS:
            raise CommandError(
                f"{folder}/{name}: {self._writer.waiting} stores wait for the disk; try again"
            )
        self._then[self._writer.save(folder, name, text, before)] = then

    def work(self, then: Callable[[Outcome, float], None], act: Callable[..., Any], *args: Any) -> None:
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

    def step(self, now_s: float) -> None:
        """Go on with what the disk and the children have done."""
        for child in tuple(self._children):
            outcome = child.outcome()
            if outcome is not None:
                self._children.pop(child)(outcome, now_s)
        for done in self._writer.take():
            self._hear(done, now_s)

    def _hear(self, done: Done, now_s: float) -> None:
        if done.error != self.fault:
            self.fault = done.error
            if done.error:
                self._journal.say(done.error)
        then = self._then.pop(done.ticket, None)
        if then is not None:
            then(done, now_s)

    def stop(self, now_s: float) -> None:
        """Finish what was asked for and wait until it is on the disk."""
        for child in self._children:
            child.close()
        self._children.clear()
        for done in self._writer.stop():
            self._hear(done, now_s)
