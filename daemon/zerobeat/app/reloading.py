"""A reload's files are read in a child process, so that no YAML delays a note."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from pathlib import Path

from ..config.rig import LoadedRig
from .journal import Journal

_CHILD = "from zerobeat.app.reloading import read_for_parent; read_for_parent()"


def read_for_parent() -> None:
    """In the child: read the rig named first and write it, or its faults, to stdout."""
    from ..config.rig import load_rig
    from ..errors import ZerobeatError

    try:
        answer: object = load_rig(sys.argv[1])
    except ZerobeatError as error:
        answer = str(error)
    sys.stdout.buffer.write(pickle.dumps(answer))


class Reloading:
    """At most one child that reads the rig; a request meanwhile starts another after it.

    ``outcome`` is what the last reload came to, in words; "" before the first.
    """

    def __init__(self, path: Path, journal: Journal) -> None:
        self._path = path
        self._journal = journal
        self._asked = False
        self._child: subprocess.Popen[bytes] | None = None
        self._heard = b""
        self.outcome = ""

    def start(self) -> None:
        """Ask for a reload; safe in a signal handler."""
        self._asked = True

    def filenos(self) -> list[int]:
        """Return what to wait for."""
        child = self._child
        return [child.stdout.fileno()] if child is not None and child.stdout is not None else []

    def result(self) -> LoadedRig | None:
        """Go on with a reload; return the new rig once it is read and without faults."""
        if self._child is None:
            if self._asked:
                self._asked = False
                self._launch()
            return None
        stream = self._child.stdout
        assert stream is not None
        try:
            content = os.read(stream.fileno(), 1 << 20)
        except BlockingIOError:
            return None
        if content:
            self._heard += content
            return None
        return self._finish()

    def _launch(self) -> None:
        self._heard = b""
        self._child = subprocess.Popen(
            [sys.executable, "-c", _CHILD, str(self._path)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
        )
        assert self._child.stdout is not None
        os.set_blocking(self._child.stdout.fileno(), False)

    def _finish(self) -> LoadedRig | None:
        self.close()
        try:
            answer = pickle.loads(self._heard)  # our own child wrote it
        except Exception:
            answer = f"{self._path}: could not be read"
        if isinstance(answer, LoadedRig):
            for warning in answer.warnings:
                self._journal.say(warning)
            return answer
        self.outcome = f"{answer}\nreload: the rig in force is unchanged"
        self._journal.say(self.outcome)
        return None

    def close(self) -> None:
        """End the child if there is one."""
        child, self._child = self._child, None
        if child is not None:
            child.kill()
            if child.stdout is not None:
                child.stdout.close()
            child.wait()
