"""The small case behind a real control socket that the test runs itself, and a real terminal.

with ControlSocketHarness(folder) as desk, desk.console("status") as console:
    desk.until(lambda: "reed" in console.text())
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyte

from kit.small_case import SmallCaseHarness
from zerobeat.engine.plain_status import plain
from zerobeat.ports.control import ControlSocket
from zerobeat.runtime.socket_commands import SocketCommands

ZEROBEAT = (sys.executable, "-m", "zerobeat")
PATIENCE_S = 20.0
SINCE_S = 1_800_000_000.0  # Unix time: 2027-01-15 08:00:00 UTC
PORTS = (("keys", "in"), ("steps", "in"), ("feet", "in"), ("quad", "out"), ("octo", "out"))


class ControlSocketHarness:
    """Engine, wire, handlers and control socket, as ``run`` has them, but without MIDI ports."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.case = SmallCaseHarness()
        self.more: dict[str, Any] = {}  # over the picture, for what the case can't be made to do
        self.states = dict.fromkeys((name for name, _ in PORTS), "connected")
        self._consoles: list[ConsoleProcess] = []
        self.control: ControlSocket | None = None
        self.start()

    def start(self) -> None:
        handlers = SocketCommands(self.case.engine, lambda command: self.case.hear(command, ""))
        self.control = ControlSocket(self.folder, handlers.answer, self.picture)

    def picture(self) -> dict[str, Any]:
        ports = [
            {
                "name": name,
                "direction": way,
                "state": self.states[name],
                "port": "",
                "faults": 0,
                "last_fault": "",
                "since_s": SINCE_S,
            }
            for name, way in PORTS
        ]
        more = {"rig": str(self.folder / "rig.yaml"), "ports": ports, "malformed": 0, "reload": ""}
        return plain(self.case.picture()) | more | self.more

    def until(self, true: Callable[[], bool], what: str = "it") -> None:
        """Handle requests until ``true()`` is."""
        end_s = time.monotonic() + PATIENCE_S
        while not true():
            if time.monotonic() > end_s:
                shown = "\n".join(console.text() for console in self._consoles)
                raise TimeoutError(f"waited for {what}; there stands\n{shown}")
            self.turn()

    def quiet(self, turns: int = 8) -> bool:
        """Handle requests until no console has written anything for some turns; return True."""
        left = turns
        while left:
            count = sum(len(console.raw) for console in self._consoles)
            self.turn()
            left = left - 1 if count == sum(len(c.raw) for c in self._consoles) else turns
        return True

    def turn(self, longest_s: float = 0.05) -> None:
        now_s = time.monotonic()
        terminals = {console.master: console for console in self._consoles if console.master >= 0}
        control = self.control
        readers = [] if control is None else control.readers(now_s)
        writers = [] if control is None else control.writers()
        ready, _, _ = select.select([*readers, *terminals], writers, (), longest_s)
        for descriptor in ready:
            if descriptor in terminals:
                terminals[descriptor].read()
        if control is not None:
            control.serve(ready, time.monotonic())

    def run(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        """Run ``zerobeat ARGUMENTS`` with this daemon, and handle its requests until it ends."""
        process = subprocess.Popen(
            [*ZEROBEAT, *arguments],
            env={**os.environ, "TZ": "UTC", **self.environment, **environment},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.until(lambda: process.poll() is not None, f"{arguments} to end")
        out, err = process.communicate()
        return subprocess.CompletedProcess(arguments, process.returncode, out, err)

    @property
    def environment(self) -> dict[str, str]:
        return {"RUNTIME_DIRECTORY": str(self.folder)}

    @contextlib.contextmanager
    def console(self, *arguments: str, **settings: Any) -> Iterator[ConsoleProcess]:
        """A console in a terminal of its own; see ``ConsoleProcess``."""
        console = ConsoleProcess(self.environment, arguments, **settings)
        self._consoles.append(console)
        try:
            yield console
        finally:
            console.close()
            self._consoles.remove(console)

    def close(self) -> None:
        """End the daemon; ``start`` begins another."""
        if self.control is not None:
            self.control.close()
            self.control = None

    def __enter__(self) -> ControlSocketHarness:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class ConsoleProcess:
    """``zerobeat ARGUMENTS`` in a real pseudo-terminal; ``screen`` is what a player would see."""

    def __init__(
        self,
        environment: dict[str, str],
        arguments: tuple[str, ...],
        columns: int = 80,
        rows: int = 24,
        announce: bool = True,
        **more: str,
    ) -> None:
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.raw = b""
        self.master, slave = pty.openpty()
        self.before = termios.tcgetattr(slave)
        size = (rows, columns) if announce else (0, 0)
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", *size, 0, 0))
        base = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS", "LINES")}
        base |= {"TERM": "xterm", "LC_ALL": "C.UTF-8", "TZ": "UTC"}
        self.process = subprocess.Popen(
            [*ZEROBEAT, *arguments],
            env=base | environment | more,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            # No thread runs yet that could hold a lock here.
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509
        )
        self.slave = slave  # kept, so that its settings can be read after the end

    def read(self) -> None:
        with contextlib.suppress(OSError):
            content = os.read(self.master, 65_536)
            self.raw += content
            self._stream.feed(content)

    def drain(self) -> None:
        """Throw away what it has written; for whoever does not look at it."""
        while select.select([self.master], (), (), 0)[0]:
            os.read(self.master, 65_536)

    def text(self) -> str:
        """Return the screen, without spaces at the ends of lines."""
        return "\n".join(line.rstrip() for line in self.screen.display)

    def type(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.screen.resize(rows, columns)

    def ended(self) -> bool:
        return self.process.poll() is not None

    def hang_up(self) -> None:
        os.close(self.slave)
        os.close(self.master)
        self.master = self.slave = -1

    def close(self) -> None:
        if not self.ended():
            self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        for descriptor in (self.master, self.slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self.slave = -1
