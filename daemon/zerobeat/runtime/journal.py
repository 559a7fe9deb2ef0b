"""The daemon's log: plain lines on stderr, written by a thread, so that logging never waits.

A terminal that was stopped, a pipe without a reader and a full disk cost lines, which are
counted, and nothing else. Repeated faults are rate-limited.
"""

from __future__ import annotations

import atexit
import faulthandler
import io
import os
import select
import sys
import threading
import time
import traceback
from collections import deque
from queue import SimpleQueue

from ..text import printable, printable_lines

REPEAT_S = 10.0
KEPT = 8  # faults for the status
MOST_KEYS = 256  # kinds of fault whose repeats are counted
MOST_WAITING_BYTES = 262_144  # that may wait for a log that takes nothing
FLUSH_S = 0.5  # how long the end of the process waits for such a log


class LogWriter:
    """Writes to a descriptor from a thread of its own. Nothing here raises or waits.

    Args:
        file: the descriptor; it stays open.

    Attributes:
        dropped: lines that the log did not take.
    """

    def __init__(self, file: int) -> None:
        self.file = file
        self.dropped = 0
        self._reported = 0  # of the dropped lines
        self._queue: SimpleQueue[bytes | None] = SimpleQueue()
        self._queued_bytes = 0  # counted up by those who log
        self._written_bytes = 0  # counted up by the thread
        self._thread: threading.Thread | None = threading.Thread(
            target=self._work, name="log", daemon=True
        )
        try:
            self._thread.start()
        except RuntimeError:  # no thread is to be had: nothing is logged
            self._thread = None

    def write(self, text: str) -> None:
        """Queue lines, or drop and count them if too many wait."""
        try:
            content = text.encode("utf-8", "backslashreplace")
            waiting = self._queued_bytes - self._written_bytes
            if self._thread is None or waiting + len(content) > MOST_WAITING_BYTES:
                self.dropped += 1
                return
            self._queued_bytes += len(content)
            self._queue.put(content)
        except MemoryError:
            self.dropped += 1

    def _work(self) -> None:
        while (content := self._queue.get()) is not None:
            size = len(content)
            lost = self.dropped - self._reported
            if lost:
                content = f"{lost} lines of this log were lost\n".encode() + content
            try:
                self._write_all(content)
                self._reported += lost
            except Exception:  # noqa: BLE001 - no reader, no room; the log may come back
                self.dropped += 1
            self._written_bytes += size

    def _write_all(self, content: bytes) -> None:
        while content:
            try:
                content = content[os.write(self.file, content) :]
            except BlockingIOError:  # somebody else made it non-blocking
                select.select((), (self.file,), (), 1.0)

    def flush(self, longest_s: float = FLUSH_S) -> None:
        """Return once all is written, or in time."""
        end_s = time.monotonic() + longest_s
        while self._written_bytes < self._queued_bytes and time.monotonic() < end_s:
            time.sleep(0.002)

    def close(self, longest_s: float = FLUSH_S) -> None:
        """Write what waits, in time, and end the thread unless the log holds it."""
        self.flush(longest_s)
        self._queue.put(None)
        if self._thread is not None:
            self._thread.join(longest_s)


class LogStream(io.TextIOBase):
    """stdout and stderr of the daemon: what Python itself prints goes the same way."""

    def __init__(self, writer: LogWriter) -> None:
        self._writer = writer

    def write(self, text: str) -> int:
        self._writer.write(text)
        return len(text)

    def fileno(self) -> int:
        """Return the log's descriptor, for the stderr of child processes."""
        return self._writer.file

    def isatty(self) -> bool:
        return False


class CapturedOutput:
    """Sends all that this process prints through a ``LogWriter``, while it is open.

    What C libraries print themselves is dropped: it would block the thread that plays, and
    the MIDI library prints two lines for each overflow besides ours (S10). The trace of a
    crash still goes to the log.
    """

    def __init__(self) -> None:
        self._streams = sys.stdout, sys.stderr
        self._files = [_copy(1), _copy(2)]
        with open(os.devnull, "wb") as nowhere:
            for number in (1, 2):
                os.dup2(nowhere.fileno(), number)
        faulthandler.enable(self._files[1])
        self.writer = LogWriter(self._files[1])
        sys.stdout = sys.stderr = LogStream(self.writer)
        atexit.register(self.writer.flush)

    def close(self) -> None:
        """Write what waits, and print as before."""
        self.writer.close()
        sys.stdout, sys.stderr = self._streams
        faulthandler.disable()
        for number, file in enumerate(self._files, 1):
            os.dup2(file, number)

    def __enter__(self) -> CapturedOutput:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _copy(number: int) -> int:
    """Return a copy of a descriptor; of nothing, if it is closed."""
    try:
        return os.dup(number)
    except OSError:
        return os.open(os.devnull, os.O_WRONLY | os.O_CLOEXEC)


class Journal:
    """Writes lines; the same fault again within ten seconds is only counted.

    Attributes:
        faults: the newest kinds of fault, each with ``at_s`` (Unix time) and ``text``.
    """

    def __init__(self, writer: LogWriter | None = None) -> None:
        self._writer = writer
        self._logged: dict[str, tuple[float, int]] = {}
        self.faults: deque[dict[str, object]] = deque(maxlen=KEPT)

    @property
    def dropped(self) -> int:
        """How many lines the log did not take."""
        return 0 if self._writer is None else self._writer.dropped

    def log(self, text: str) -> None:
        """Write one line now; line ends within it are shown escaped."""
        self._write(printable(text))

    def log_lines(self, text: str) -> None:
        """Write several lines: text of ours, such as a trace or the faults of a file."""
        self._write(printable_lines(text))

    def flush(self) -> None:
        """Return once all is written, or in time."""
        if self._writer is not None:
            self._writer.flush()

    def _write(self, text: str) -> None:
        if self._writer is None:  # not the daemon: a test, or a tool
            print(text, file=sys.stderr, flush=True)
        else:
            self._writer.write(f"{text}\n")

    def fault(self, key: str, text: str, trace: str = "") -> None:
        """Write a fault and its trace, unless one of the same key was written just now."""
        repeats = self._repeats(key)
        if repeats is not None:
            self.log(f"{text} (and {repeats} more like it)" if repeats else text)
            if trace:
                self.log_lines(trace)

    def exception(self, what: str) -> None:
        """Write the trace of the exception being handled, as ``fault`` does."""
        key = f"fault {what}"
        if time.monotonic() - self._logged.get(key, (-REPEAT_S, 0))[0] < REPEAT_S:
            self._repeats(key)  # counted, without the cost of a trace
        else:
            self.fault(key, f"fault in {what}:", traceback.format_exc(limit=-12))

    def _repeats(self, key: str) -> int | None:
        """Return how many were not written since the last; None if this one isn't either."""
        now_s = time.monotonic()
        logged_s, repeats = self._logged.pop(key, (-REPEAT_S, 0))
        if now_s - logged_s < REPEAT_S:
            self._logged[key] = (logged_s, repeats + 1)
            return None
        self._logged[key] = (now_s, 0)
        if len(self._logged) > MOST_KEYS:
            del self._logged[next(iter(self._logged))]
        text = printable(key.removeprefix("fault "))
        self.faults.append({"at_s": round(time.time(), 1), "text": text})
        return repeats
