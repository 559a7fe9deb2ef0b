"""A lock: one process at a time writes the state directory, the daemon or a restore."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from .store import make_folder


class StateLock:
    """A lock on the directory itself, which works on a read-only one too.

    Attributes:
        why: why the lock was not acquired; "" if it was, or if the directory can't be
            made or opened: the first store then reports the reason.
    """

    def __init__(self, directory: Path) -> None:
        self.why = ""
        self._handle = -1
        try:
            make_folder(directory)
        except OSError:
            pass
        try:
            self._handle = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self.why = f"{directory}: another zerobeat keeps its settings there; stop it first"
            self.close()
        except OSError:
            self.close()

    def close(self) -> None:
        """Release the lock; a second call does nothing."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
