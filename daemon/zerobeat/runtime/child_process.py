"""Long work in a child process, so that it delays no note.

A process and not a thread: one busy thread would keep the GIL from the thread that plays.
Started with exec and never only forked: a fork would share the daemon's ports.
"""

from __future__ import annotations

import contextlib
import io
import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass

from ..config.rig import LoadedRig
from ..errors import ZerobeatError

_CODE = "from zerobeat.runtime.child_process import work; work()"
NICE = 5  # the notes go first


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a child's function returned, or its error, one line a fault."""

    value: object = None
    error: str = ""


def work() -> None:
    """In the child: call the pickled function from stdin, write its result to stdout."""
    with contextlib.suppress(OSError):  # a sandbox may not allow it
        os.nice(NICE)
    act, args = pickle.load(sys.stdin.buffer)
    try:
        outcome = Outcome(act(*args))
    except ZerobeatError as error:
        outcome = Outcome(error=str(error))
    sys.stdout.buffer.write(pickled(outcome))


def pickled(outcome: Outcome) -> bytes:
    """Return an outcome as pickles that share what they refer to, its ``parts`` first.

    So no call of the daemon's takes in a rig of many scenes whole.
    """
    content = io.BytesIO()
    pickler = pickle.Pickler(content)
    if isinstance(outcome.value, LoadedRig):
        for part in outcome.value.parts():
            pickler.dump(part)
    pickler.dump(outcome)
    return content.getvalue()


def unpickled(content: bytes | bytearray) -> Outcome:
    """Return the outcome that ``pickled`` wrote."""
    unpickler = pickle.Unpickler(io.BytesIO(content))  # our own child wrote it
    while True:
        found = unpickler.load()
        if isinstance(found, Outcome):
            return found


def _log() -> int | None:
    """Return the descriptor for the child's stderr; None for the inherited one."""
    try:
        return sys.stderr.fileno()
    except (AttributeError, OSError, ValueError):
        return None


class Child:
    """One function that runs in a child process.

    Args:
        act: a function of a module; it may raise ``ZerobeatError``.
        args: values that can be pickled, as what it returns.

    Raises:
        OSError: no process or no memory for one.
    """

    def __init__(self, act: Callable[..., object], *args: object) -> None:
        self._heard = bytearray()
        self.act = act
        # Not a pipe: writing to one waits for its reader once 64 KiB are in it.
        asked = os.memfd_create("asked", os.MFD_CLOEXEC)
        try:
            with os.fdopen(os.dup(asked), "wb") as stream:
                stream.write(pickle.dumps((act, args)))
            os.lseek(asked, 0, os.SEEK_SET)
            self._process = subprocess.Popen(
                [sys.executable, "-c", _CODE],
                stdin=asked,
                stdout=subprocess.PIPE,
                stderr=_log(),
            )
        finally:
            os.close(asked)
        assert self._process.stdout is not None
        self._stdout = self._process.stdout
        os.set_blocking(self._stdout.fileno(), False)

    def fileno(self) -> int:
        """Return a descriptor that is readable when ``outcome`` can go on; -1 once it has ended."""
        return -1 if self._stdout.closed else self._stdout.fileno()

    def outcome(self) -> Outcome | None:
        """Read on; return the outcome once it is known, else None."""
        try:
            content = os.read(self._stdout.fileno(), 1 << 20)
        except BlockingIOError:
            return None
        if content:
            self._heard += content
            return None
        self.close()
        try:
            return unpickled(self._heard)
        except Exception:  # noqa: BLE001 - it died; the log has its words
            return Outcome(error=f"a fault in {self.act.__name__}; the log says more")

    def close(self) -> None:
        """Kill it if it still runs; a second call does nothing."""
        self._process.kill()
        self._stdout.close()
        self._process.wait()
