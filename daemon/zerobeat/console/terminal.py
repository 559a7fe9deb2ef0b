"""The live status: redraws what changed, and restores the terminal at the end.

It is a client like any other and only reads. It redraws at most four times a
second, and not while nothing changes (requirement T1).
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import termios
import time
import tty
from collections.abc import Callable, Iterator
from typing import Any

from ..client.daemon_client import Client
from ..errors import ControlError, NotRunningError
from .cells import wrap_cells
from .large import large_lines
from .line import Line, Mark
from .screen import screen_lines

PLAIN_TERMINALS = ("linux", "vt100", "vt220", "dumb")
# SGR of the eight base colours; bold, because dark red on black is not read on a stage.
COLOURS: dict[Mark, str] = {
    "": "",
    "head": "1",
    "waits": "1;33",
    "bad": "1;31",
    "good": "1;32",
    "old": "2",
}
RECONNECT_S = 1.0
DAEMON_SILENT_S = 12.0  # the daemon says every 5 s that it lives
NOT_YET = "no zerobeat plays here yet; waiting for: zerobeat run rig.yaml (q ends)"
LET_GO = "another display has this one's place (any key takes it back, q ends); below: as it was"
NOW_GONE = "no zerobeat plays here now; waiting for it (q ends); below: as it was"
SERIAL = ("/dev/ttyS", "/dev/ttyAMA", "/dev/ttyUSB", "/dev/ttyACM", "/dev/ttyGS")


def ascii_only() -> bool:
    """Return whether this terminal is sent ASCII only (requirements T2, T4)."""
    locale = os.environ.get("LC_ALL") or os.environ.get("LC_CTYPE") or os.environ.get("LANG") or ""
    utf8 = "utf-8" in locale.lower() or "utf8" in locale.lower()
    return not utf8 or os.environ.get("TERM", "dumb") in PLAIN_TERMINALS


def is_live(stream: Any) -> bool:
    """Return whether a stream is a terminal that can redraw."""
    return bool(stream.isatty()) and os.environ.get("TERM", "dumb") != "dumb"


def slow_line(descriptor: int) -> bool:
    """Return whether a terminal is on a serial line under 115,200 baud."""
    with contextlib.suppress(OSError, termios.error):
        if os.ttyname(descriptor).startswith(SERIAL):
            return bool(termios.tcgetattr(descriptor)[5] < termios.B115200)
    return False


def size_of(descriptor: int) -> tuple[int, int]:
    """Return (columns, rows); a terminal that names none has 80 by 24."""
    with contextlib.suppress(OSError):
        size = os.get_terminal_size(descriptor)
        if size.columns > 0 and size.lines > 0:
            return size.columns, size.lines
    return 80, 24


class Terminal:
    """The terminal, and what is drawn on it.

    Args:
        alternate: use the alternate screen; else the top of this one.
        colour: colour lines by their mark.
    """

    def __init__(self, alternate: bool, colour: bool) -> None:
        self._in, self._out = sys.stdin.fileno(), sys.stdout.fileno()
        self._alternate = alternate
        self._colour = colour
        self._encoding = "ascii" if ascii_only() else "utf-8"
        self._painted: list[Line] = []
        self._before: list[Any] | None = None
        self._entered = False

    @property
    def keys_fd(self) -> int | None:
        """Descriptor to read keys from; None if stdin is no terminal."""
        return self._in if self._before is not None else None

    def enter(self) -> None:
        self._entered = True
        if os.isatty(self._in):
            self._before = termios.tcgetattr(self._in)
            tty.setcbreak(self._in, termios.TCSADRAIN)
        self._write(("\x1b[?1049h" if self._alternate else "") + "\x1b[?25l\x1b[2J")
        self._painted = []

    def leave(self) -> None:
        """Restore the terminal; a second call does nothing, a lost terminal raises nothing."""
        if not self._entered:
            return
        self._entered = False
        end = "\x1b[?1049l" if self._alternate else f"\x1b[{len(self._painted) + 1};1H"
        with contextlib.suppress(OSError):
            self._write(f"\x1b[0m{end}\x1b[?25h")
        if self._before is not None:
            with contextlib.suppress(OSError, termios.error):
                termios.tcsetattr(self._in, termios.TCSADRAIN, self._before)

    def size(self) -> tuple[int, int]:
        return size_of(self._out)

    def paint(self, wanted: list[Line]) -> None:
        """Write what differs from the last paint: of each line, from the first change on."""
        parts = []
        for row in range(max(len(wanted), len(self._painted))):
            line = wanted[row] if row < len(wanted) else Line("")
            before = self._painted[row] if row < len(self._painted) else None
            if before == line:
                continue
            same = 0 if before is None else _same(before, line)
            rest = line.text[same:]
            text = coloured(rest, line.mark) if self._colour else rest
            parts.append(f"\x1b[{row + 1};{same + 1}H{text}\x1b[K")
        self._painted = wanted
        if parts:
            self._write("".join(parts))

    def forget(self) -> None:
        """Clear the screen; the next paint writes everything."""
        self._painted = []
        self._write("\x1b[2J")

    def _write(self, text: str) -> None:
        content = text.encode(self._encoding, "replace")
        while content:
            content = content[os.write(self._out, content) :]


def coloured(text: str, mark: Mark) -> str:
    """Return text in the colour of its line's mark."""
    colour = COLOURS[mark] if text else ""
    return f"\x1b[{colour}m{text}\x1b[0m" if colour else text


def _same(before: Line, line: Line) -> int:
    """Return how many cells at the start of a line are unchanged; 0 if cells can't be counted."""
    if before.mark != line.mark or not (before.text.isascii() and line.text.isascii()):
        return 0
    return len(os.path.commonprefix((before.text, line.text)))  # noqa: RUF071 - it takes any text


class Console:
    """Shows the status of a daemon until the player ends it.

    Args:
        connect: makes a client; called again when the daemon has gone.
        at_most_hz: greatest number of updates a second.
        large: letters to be read two metres away.
    """

    def __init__(
        self,
        connect: Callable[[], Client],
        terminal: Terminal,
        at_most_hz: float,
        large: bool = False,
    ) -> None:
        self._connect = connect
        self._terminal = terminal
        self._at_most_hz = at_most_hz
        self._client: Client | None = None
        self._shown: dict[str, Any] = {}
        self._shown_s = 0.0
        self._loads: dict[str, float] = {}
        self._trouble = ""
        self._retry_at_s = 0.0
        self._received_at_s = 0.0
        self._large = large
        self._let_go = False  # another display has its place

    def run(self) -> int:
        """Return the exit status, the terminal restored; wait for a daemon that is not there yet.

        Raises:
            ControlError: the daemon may not be reached.
        """
        try:
            self._client = self._connect()
            self._follow()
        except NotRunningError:
            self._trouble = NOT_YET
        with _signals() as (wake_fd, numbers):
            self._terminal.enter()
            try:
                return self._loop(wake_fd, numbers)
            except OSError:  # the terminal has gone
                return 128 + signal.SIGHUP
            finally:
                self._terminal.leave()
                if self._client is not None:
                    self._client.close()

    def _loop(self, wake_fd: int, numbers: list[int]) -> int:
        while True:
            waits = [wake_fd]
            if self._terminal.keys_fd is not None:
                waits.append(self._terminal.keys_fd)
            if self._client is not None:
                waits.append(self._client.fileno())
            ready, _, _ = select.select(waits, (), (), RECONNECT_S)
            if wake_fd in ready:
                os.read(wake_fd, 64)
            for number in [numbers.pop(0) for _ in range(len(numbers))]:
                if number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
                    return 0 if number == signal.SIGINT else 128 + number
                self._resized_or_stopped(number)
            if self._terminal.keys_fd in ready:
                keys = os.read(self._terminal.keys_fd or 0, 64)
                if not keys:
                    return 128 + signal.SIGHUP
                if b"q" in keys:
                    return 0
                self._let_go = False
            self._receive(self._client is not None and self._client.fileno() in ready)
            self._paint()

    def _resized_or_stopped(self, number: int) -> None:
        if number == signal.SIGTSTP:
            self._terminal.leave()
            os.kill(os.getpid(), signal.SIGSTOP)  # until it is continued
            self._terminal.enter()
        elif number == signal.SIGWINCH:
            self._terminal.forget()

    # ------------------------------------------------------------ the daemon

    def _follow(self) -> None:
        assert self._client is not None
        self._client.send("follow", at_most_hz=self._at_most_hz)
        self._received_at_s = time.monotonic()
        self._trouble = ""

    def _receive(self, readable: bool) -> None:
        now_s = time.monotonic()
        try:
            if self._client is None:
                if now_s < self._retry_at_s or self._let_go:
                    return
                self._retry_at_s = now_s + RECONNECT_S
                self._client = self._connect()
                self._follow()
            elif readable:
                self._client.hear()
                for answer in self._client.answers():
                    self._take(answer, now_s)
            elif now_s - self._received_at_s > DAEMON_SILENT_S and not self._trouble:
                self._trouble = (
                    f"zerobeat has said nothing since {time.strftime('%H:%M:%S')}; below: as it was"
                )
        except ControlError as error:
            self._trouble = NOW_GONE if self._shown else NOT_YET
            if self._let_go:
                self._trouble = LET_GO
            if self._client is None and not isinstance(error, NotRunningError):
                self._trouble = str(error)  # it is there, but may not be reached
            if self._client is not None:
                self._client.close()
                self._client = None

    def _take(self, answer: dict[str, Any], now_s: float) -> None:
        self._received_at_s = now_s
        self._trouble = "" if answer.get("ok") else str(answer.get("error", ""))
        self._let_go = answer.get("let_go") is True
        shown = answer.get("status")
        if not isinstance(shown, dict):
            self._loads = dict.fromkeys(self._loads, 0.0)
            return
        before = {o["name"]: o["bytes_sent"] for o in self._shown.get("outputs", [])}
        passed_s = max(now_s - self._shown_s, 1.0 / self._at_most_hz)
        self._loads = {
            o["name"]: max(0, o["bytes_sent"] - before.get(o["name"], o["bytes_sent"]))
            / passed_s
            / o["bytes_per_second"]
            for o in shown.get("outputs", [])
            if o["bytes_per_second"]
        }
        self._shown, self._shown_s = shown, now_s

    def _paint(self) -> None:
        columns, rows = self._terminal.size()
        if not self._shown:  # no status yet: nothing but what is waited for
            waits = wrap_cells(self._trouble, columns - 1)[:rows]
            self._terminal.paint([Line(text, "waits") for text in waits])
            return
        # One column is left free: a full last line would wrap or scroll on some terminals.
        if self._large:
            shown = large_lines(self._shown, columns - 1, rows, ascii_only())
        else:
            shown = screen_lines(
                self._shown, columns - 1, rows, self._loads, ascii_only(), time.time()
            )
        if self._trouble:  # what follows is how it was when the daemon was last heard
            first = [Line(text, "bad") for text in wrap_cells(self._trouble, columns - 1)]
            shown = [*first, *(Line(line.text, "old") for line in shown[1:])]
        self._terminal.paint(shown[:rows])


@contextlib.contextmanager
def _signals() -> Iterator[tuple[int, list[int]]]:
    """Collect signals instead of being interrupted; yield a descriptor that wakes, and the list."""
    numbers: list[int] = []
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    caught = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP, signal.SIGWINCH)
    before = {
        number: signal.signal(number, lambda n, frame: numbers.append(n)) for number in caught
    }
    wakeup = signal.set_wakeup_fd(writer)
    try:
        yield reader, numbers
    finally:
        signal.set_wakeup_fd(wakeup)
        for number, handler in before.items():
            signal.signal(number, handler)
        os.close(reader)
        os.close(writer)
