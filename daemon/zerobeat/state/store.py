"""The state directory: stored scenes and profiles, the session, learned bindings.

The daemon alone writes here; the player's own files are never touched. Each
file is written by ``durable``, so that a power cut leaves the old or the new
one. A disk that fails raises a ``StoreError`` of one line; nothing that was
stored before is lost.
"""

from __future__ import annotations

import contextlib
import errno
import os
import pwd
from collections.abc import Iterator
from pathlib import Path

from ..config.stored_files import STORED_KINDS as FOLDERS
from ..config.yaml_source import LARGEST_FILE_BYTES
from ..errors import ConfigError, NewerFormatError, StoreError
from . import durable, sealed
from .durable import Newest

PROBE_BYTES = 65_536  # more than a session or a scene needs
SESSION = "session.json"
BINDINGS = "bindings.yaml"
LONGEST_NAME_BYTES = 200  # of 255 that file systems allow, less what generations add


class Store:
    """The files that the daemon writes.

    Making a store touches no file; the directory is made at the first save.

    Args:
        directory: the state directory.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._made: set[Path] = set()

    def path(self, folder: str, name: str) -> Path:
        """Return the file of a scene or profile.

        Args:
            folder: one of ``FOLDERS``.
            name: what the rig calls it, without suffix: ``slow``.

        Raises:
            StoreError: a name that can't be a file's.
        """
        assert folder in FOLDERS
        if (
            not name.isprintable()
            or name != name.strip()
            or not 0 < len(name.encode()) <= LONGEST_NAME_BYTES
            or name.startswith(".")
            or "/" in name
            or name.endswith((".yaml", ".yml"))
            or durable.plain_stem(Path(f"{name}.yaml")) != name
        ):
            allowed = (
                f"1 to {LONGEST_NAME_BYTES} bytes, no slash, no dot first, no .1 or .yaml last"
            )
            raise StoreError(f"{folder}: found the name {name[:60]!r}; allowed: {allowed}")
        return self.directory / folder / f"{name}.yaml"

    def names(self, folder: str) -> list[str]:
        """Return the names that are stored, in order."""
        assert folder in FOLDERS
        try:
            files = os.listdir(self.directory / folder)
        except OSError:
            return []
        paths = [Path(file) for file in files if file.endswith(".yaml") and file[0] != "."]
        return sorted({durable.plain_stem(path) for path in paths})

    # ------------------------------------------------------------ in

    def load(self, folder: str, name: str) -> Newest:
        """Return the newest valid generation, with a warning if it is not the last stored.

        Raises:
            StoreError: nothing of that name, or nothing that can be read.
        """
        return durable.newest(self.path(folder, name))

    def exists(self, path: Path) -> bool:
        """Return whether any generation of a stored file is there."""
        return durable.exists(path)

    def newest(self, path: Path) -> Newest:
        """Return the newest valid generation of a stored file.

        Raises:
            StoreError: there is none, and no damaged one can be read either.
        """
        return durable.newest(path)

    def valid_generations(self, path: Path) -> Iterator[Path]:
        """Yield the files of all generations that are whole, newest first."""
        return (p for p in durable.generations(path) if sealed.examine(p).is_valid)

    def plain_path(self, path: Path) -> Path:
        """Return the file that all generations belong to: slow.yaml of slow.1.yaml."""
        return path.with_name(f"{durable.plain_stem(path)}{path.suffix}")

    def load_session(self) -> Newest | None:
        """Return the stored session, JSON; None if there was none yet.

        Raises:
            StoreError: there is one, and it can't be read.
        """
        path = self.directory / SESSION
        return durable.newest(path) if durable.exists(path) else None

    # ------------------------------------------------------------ out

    def session_refusal(self) -> str:
        """Return why no session may be stored here, in one line; "" if it may.

        A file that only a later version reads is left alone.
        """
        try:
            durable.refuse_newer(self.directory / SESSION)
        except NewerFormatError as error:
            return str(error)
        return ""

    def save(
        self, folder: str, name: str, text: str | bytes, before: str | bytes | None = None
    ) -> Path:
        """Store the text of a scene or profile; return its file once it is on the disk.

        Args:
            folder, name: as for ``path``.
            text: what the file says.
            before: the content in use, of the player's own file. If nothing is stored
                yet, it becomes the generation that ``undo`` restores.

        Raises:
            NewerFormatError: the file, or an earlier generation, is one that only a later
                version reads.
            StoreError: one line; what was stored before is still there.
        """
        path = self.path(folder, name)
        if before is not None and not durable.exists(path):
            self._replace(path, _bytes(before))
        self._replace(path, _bytes(text))
        return path

    def save_session(self, content: bytes) -> Path:
        """Store the session, JSON; one earlier one is kept.

        Raises:
            StoreError: as for ``save``.
        """
        path = self.directory / SESSION
        self._replace(path, content, kept=1)
        return path

    def load_bindings(self) -> Newest | None:
        """Return what ``learn`` wrote, YAML; None if it wrote nothing yet.

        Raises:
            StoreError: there is a file, and it can't be read.
        """
        path = self.directory / BINDINGS
        return durable.newest(path) if durable.exists(path) else None

    def save_bindings(self, text: str) -> Path:
        """Store what ``learn`` wrote, YAML; one earlier version is kept.

        Raises:
            StoreError: as for ``save``.
        """
        path = self.directory / BINDINGS
        self._replace(path, text.encode(), kept=1)
        return path

    def undo(self, folder: str, name: str) -> Path:
        """Restore what was stored before; a second call restores what is stored now.

        Raises:
            StoreError: nothing earlier is kept, or as for ``save``.
        """
        path = self.path(folder, name)
        self._replace(path, durable.previous(path).content)
        return path

    def probe(self) -> Path:
        """Return the state directory if it can be written now; the test file is removed.

        Raises:
            StoreError: as for ``save``.
        """
        path = self.directory / ".probe.tmp"
        try:
            for folder in (self.directory, *(self.directory / name for name in FOLDERS)):
                make_folder(folder)
            with path.open("wb") as file:
                file.write(bytes(PROBE_BYTES))
        except OSError as error:
            raise refusal(self.directory / FOLDERS[0], error) from None
        finally:
            with contextlib.suppress(OSError):
                path.unlink()
        return self.directory

    def clean(self) -> None:
        """Remove temporary files that a power cut left; to be called before the first save."""
        for folder in (self.directory, *(self.directory / name for name in FOLDERS)):
            with contextlib.suppress(OSError):
                for name in os.listdir(folder):
                    if name.startswith(".") and name.endswith(".tmp"):
                        os.unlink(folder / name)

    def _replace(self, path: Path, content: bytes, kept: int = durable.GENERATIONS_KEPT) -> None:
        size = len(sealed.seal(content, path.suffix))
        if size > LARGEST_FILE_BYTES:
            raise StoreError(f"{path}: found {size:,} bytes; allowed: up to {LARGEST_FILE_BYTES:,}")
        try:
            if path.parent not in self._made or not path.parent.is_dir():
                make_folder(path.parent)
                self._made.add(path.parent)
            durable.replace(path, content, kept)
        except OSError as error:
            raise refusal(path, error) from None
        except ConfigError as error:
            raise StoreError(str(error)) from None


def _bytes(text: str | bytes) -> bytes:
    return text.encode() if isinstance(text, str) else text


def make_folder(folder: Path) -> None:
    """Make a folder and its parents, and wait until they are on the disk.

    Raises:
        OSError: one can't be made.
    """
    missing = list(_missing(folder))
    for new in reversed(missing):
        new.mkdir(exist_ok=True)
        sync_folder(new.parent)
    # The process that made the others may have ended before it had waited for the disk.
    for parent in (folder.parent, folder.parent.parent):
        with contextlib.suppress(OSError):  # it may be read-only, or forbid reading
            sync_folder(parent)


def _missing(folder: Path) -> Iterator[Path]:
    while not os.path.exists(folder):  # False too where a parent forbids to look
        yield folder
        folder = folder.parent


def sync_folder(folder: Path) -> None:
    """Wait until a folder's names are on the disk."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# ---------------------------------------------------------------- errors


def refusal(path: Path, error: OSError) -> StoreError:
    """Return the error for a file that can't be stored: what, where, what to do."""
    reason = (error.strerror or str(error)).lower()
    todo = "playing goes on; what was stored before is kept"
    if error.errno == errno.EROFS:
        todo = "make the state directory writable, or set STATE_DIRECTORY to one that is"
    elif error.errno in (errno.ENOSPC, errno.EDQUOT):
        todo = "free some space and store again"
    elif error.errno in (errno.EACCES, errno.EPERM):
        reason, todo = _forbidden(path)
    elif error.errno == errno.EIO:
        todo = "the card or disk fails: back up what can be read and change it"
    return StoreError(f"{path}: not stored: {reason}; {todo}")


def _forbidden(path: Path) -> tuple[str, str]:
    holder = next(parent for parent in path.parents if os.path.exists(parent))
    owner = holder.stat().st_uid
    try:
        name = pwd.getpwuid(owner).pw_name
    except KeyError:
        name = f"user {owner}"
    if owner == os.geteuid():
        return f"{holder} forbids it", f"allow it: chmod u+rwx {holder}"
    return f"{holder} belongs to {name}", f"run zerobeat as {name}, or set STATE_DIRECTORY"
