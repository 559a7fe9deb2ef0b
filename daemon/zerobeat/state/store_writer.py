"""Stores without delaying a note: a thread writes and waits for the disk.

The main loop hands over bytes that are already formatted and goes on. ``take``
returns the finished jobs; ``fileno`` becomes readable when there is one. The
thread computes nothing but checksums, during which other threads run.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue

from ..errors import NewerFormatError, ZerobeatError
from .store import BINDINGS, SESSION, Store


@dataclass(frozen=True, slots=True)
class Done:
    """A finished job.

    Args:
        ticket: of the job.
        what: such as ``scenes/slow``, or ``session.json``.
        path: the file that was written.
        error: "" once the file is on the disk, else one line.
        is_newer: refused because of a file that only a later version reads; the disk is well.
        seconds: how long the disk took.
    """

    ticket: int
    what: str
    path: Path | None = None
    error: str = ""
    is_newer: bool = False
    seconds: float = field(default=0.0, compare=False)


@dataclass(frozen=True, slots=True)
class _Job:
    ticket: int
    what: str
    act: Callable[[], Path]


class StoreWriter:
    """One thread through which every write goes, in the order of the calls.

    Args:
        store: where it writes, as the only writer.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._jobs: SimpleQueue[_Job | None] = SimpleQueue()
        self._done: deque[Done] = deque()
        self._asked = 0
        self._answered = 0
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        # A disk that never answers must not keep the process from ending.
        self._thread = threading.Thread(target=self._work, name="store", daemon=True)
        self._thread.start()

    def fileno(self) -> int:
        """Return a descriptor that is readable when ``take`` has something."""
        return self._wake_fd

    # ------------------------------------------------------------ jobs

    def save(
        self, folder: str, name: str, text: str | bytes, before: str | bytes | None = None
    ) -> int:
        """Ask for ``Store.save``; return the ticket that its ``Done`` will carry."""
        return self._ask(f"{folder}/{name}", lambda: self.store.save(folder, name, text, before))

    def undo(self, folder: str, name: str) -> int:
        """Ask for ``Store.undo``; return the ticket."""
        return self._ask(f"{folder}/{name}", lambda: self.store.undo(folder, name))

    def save_session(self, content: bytes) -> int:
        """Ask for ``Store.save_session``; return the ticket."""
        return self._ask(SESSION, lambda: self.store.save_session(content))

    def save_bindings(self, text: str) -> int:
        """Ask for ``Store.save_bindings``; return the ticket."""
        return self._ask(BINDINGS, lambda: self.store.save_bindings(text))

    def probe(self) -> int:
        """Ask for ``Store.probe``; return the ticket."""
        return self._ask("probe", self.store.probe)

    def _ask(self, what: str, act: Callable[[], Path]) -> int:
        self._asked += 1
        self._jobs.put(_Job(self._asked, what, act))
        return self._asked

    def take(self) -> list[Done]:
        """Return the jobs finished since the last call, oldest first."""
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self._wake_fd)
        taken = []
        while self._done:
            taken.append(self._done.popleft())
        self._answered += len(taken)
        return taken

    @property
    def waiting(self) -> int:
        """How many jobs have not been taken back yet."""
        return self._asked - self._answered

    # ------------------------------------------------------------ the thread

    def _work(self) -> None:
        wake_fd = self._wake_fd
        with contextlib.suppress(Exception):  # what is left behind is cleaned up another time
            self.store.clean()
        while (job := self._jobs.get()) is not None:
            began_s = time.monotonic()
            try:
                path = job.act()
                done = Done(job.ticket, job.what, path, seconds=time.monotonic() - began_s)
            except ZerobeatError as error:
                is_newer = isinstance(error, NewerFormatError)
                done = Done(job.ticket, job.what, error=str(error), is_newer=is_newer)
            except Exception as error:  # noqa: BLE001 - the thread must go on for later stores
                done = Done(job.ticket, job.what, error=f"{job.what}: not stored: {error!r}")
            self._done.append(done)
            os.eventfd_write(wake_fd, 1)

    def stop(self, longest_s: float = 10.0) -> list[Done]:
        """Finish all jobs, end the thread, and return the finished jobs as ``take`` does.

        Args:
            longest_s: how long to wait for a disk that does not answer; one more
                entry then says how many jobs are left.

        A second time returns nothing.
        """
        if self._wake_fd < 0:
            return []
        self._jobs.put(None)
        self._thread.join(longest_s)
        taken = self.take()
        if self._thread.is_alive():
            # The descriptor stays open: the thread may still write to it.
            text = f"{self.store.directory}: {self.waiting} not stored: the disk does not answer"
            taken.append(Done(0, "", error=text))
        else:
            os.close(self._wake_fd)
        self._wake_fd = -1
        return taken
