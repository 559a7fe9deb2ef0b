"""The runtime directory: where it is, the lock in it, and the name of the control socket."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from .errors import PortError

SOCKET = "control"
PAGE_FILE = (
    "page.wanted"  # the daemon makes it where its rig wants the page; a path unit waits for it
)
SOCKET_VERSION = 1  # of what is said over it: docs/control.md


def runtime_directory() -> Path:
    """Return where the lock, the mirror and the control socket live.

    systemd gives ``RUNTIME_DIRECTORY``; in a terminal it is ``zerobeat`` in the
    XDG runtime directory, else in the temporary directory, by user number.
    """
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    base = os.environ.get("XDG_RUNTIME_DIR", "")
    if base and os.path.isdir(base):
        return Path(base) / "zerobeat"
    return Path(os.environ.get("TMPDIR", "/tmp")) / f"zerobeat-{os.getuid()}"


def make_runtime_directory(folder: Path) -> None:
    """Make the folder, for this user alone.

    Raises:
        PortError: it can't be made, or somebody else owns it.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        owner = folder.stat().st_uid
    except OSError as error:
        raise PortError(f"{folder}: can't be used: {error.strerror}") from None
    if owner not in (os.getuid(), 0):
        raise PortError(f"{folder}: belongs to another user; set XDG_RUNTIME_DIR")


class Lock:
    """One daemon at a time (requirement M20).

    Raises:
        PortError: another one plays; the text has its process number.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / "lock"
        try:
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
            self._file = os.open(self._path, flags, 0o600)
        except OSError as error:
            raise PortError(f"{self._path}: can't be used: {error.strerror}") from None
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._file, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._file)
            raise PortError(f"zerobeat plays already, as process {holder}; stop it first") from None
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def is_there(self) -> bool:
        """False once somebody has removed the file, so that another daemon may start."""
        try:
            return self._path.stat().st_ino == os.fstat(self._file).st_ino
        except OSError:
            return False

    def close(self) -> None:
        """Give the lock back; a second time does nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
