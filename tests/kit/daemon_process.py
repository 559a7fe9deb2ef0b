"""A real ``zerobeat run`` as a process of its own, and what its journal says.

    with JackServer() as server, DaemonProcess(rig, server.environment) as daemon:
        daemon.wait_for_line("zerobeat plays")
        ...
        assert daemon.stop() == 0

What still runs at the end is stopped. Runtime and state directories are its
own and are kept from one start to the next: ``start`` again after an end.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType

from kit.jack import wait_until

TESTS = Path(__file__).resolve().parents[1]
ZEROBEAT = (sys.executable, "-m", "zerobeat")
START_S = 20.0  # two cores may be busy with other tests

_PEER = """\
import sys
sys.path.insert(0, sys.argv[1])
from kit.jack import MidiSender
with MidiSender(sys.argv[2]) as player:
    print("ready", flush=True)
    for line in sys.stdin:
        player.send(bytes.fromhex(line))
"""


class DaemonProcess:
    """``zerobeat run RIG``, started at once.

    Args:
        rig: its file.
        environment: of the JACK server.
        arguments: after ``run RIG``.
        before: words before the command, such as a wrapper's.
        state: the state directory, if it is to be another than its own.
        program: the words that run zerobeat, if it is to be another than this tree's.
    """

    def __init__(
        self,
        rig: Path,
        environment: Mapping[str, str],
        arguments: Sequence[str] = (),
        before: Sequence[str] = (),
        state: Path | None = None,
        program: Sequence[str] = ZEROBEAT,
    ) -> None:
        # A short path: that of a Unix socket may have 107 bytes.
        self.folder = Path(tempfile.mkdtemp(prefix="zb"))
        self.environment = dict(environment) | {
            "XDG_RUNTIME_DIR": str(self.folder),
            "STATE_DIRECTORY": str(state or self.folder / "state"),
        }
        for name in ("NOTIFY_SOCKET", "RUNTIME_DIRECTORY", "WATCHDOG_USEC"):
            self.environment.pop(name, None)
        self._command = [*before, *program, "run", str(rig), *arguments]
        self._process: subprocess.Popen[bytes] | None = None
        self._journal = self.folder / "journal"
        self.start()

    def start(self) -> None:
        """Start, or start again; the journal begins anew."""
        assert self._process is None or self._process.poll() is not None
        with self._journal.open("wb") as journal:
            self._process = subprocess.Popen(
                self._command,
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=journal,
                stderr=journal,
            )

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def lines(self) -> list[str]:
        """Return the journal's lines so far."""
        return self._journal.read_text(errors="backslashreplace").splitlines()

    def wait_for_line(self, part: str, count: int = 1, timeout_s: float = START_S) -> str:
        """Return the ``count``-th line that holds ``part``, waiting until it is there."""

        def found() -> list[str]:
            return [line for line in self.lines() if part in line]

        try:
            wait_until(lambda: len(found()) >= count or self.ended(), timeout_s)
        except TimeoutError:
            pass
        lines = found()
        assert len(lines) >= count, f"no line {count} with {part!r} in {self.lines()}"
        return lines[count - 1]

    def ended(self) -> bool:
        assert self._process is not None
        return self._process.poll() is not None

    def send(self, number: int) -> None:
        os.kill(self.pid, number)

    def wait(self, timeout_s: float = START_S) -> int:
        """Return the exit status once it has ended."""
        assert self._process is not None
        return self._process.wait(timeout_s)

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Send a signal and return the exit status."""
        self.send(number)
        return self.wait()

    def kill(self) -> None:
        """End it as a crash would (SIGKILL)."""
        self.stop(signal.SIGKILL)

    def close(self) -> None:
        """End it, kindly at first: a synchronous server waits 5 s for each killed client."""
        if not self.ended():
            self.send(signal.SIGTERM)
            try:
                self.wait(5.0)
            except subprocess.TimeoutExpired:
                self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self) -> DaemonProcess:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            print("journal of zerobeat:", *self.lines(), sep="\n  ")
        self.close()


class MidiSenderProcess:
    """A keyboard in a process of its own, ``name:out``, so that it can be killed."""

    def __init__(self, name: str, environment: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _PEER, str(TESTS), name],
            env=dict(environment),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        assert self._process.stdout is not None
        if self._process.stdout.readline() != b"ready\n":
            self.kill()
            raise RuntimeError(f"player {name} did not start")

    def send(self, content: bytes) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(content.hex().encode() + b"\n")
        self._process.stdin.flush()

    def close(self) -> None:
        """Take its port away and end it; a synchronous server waits for none that is killed."""
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(10.0)
        self.kill()

    def kill(self) -> None:
        """End it as pulling the plug would; a second time does nothing."""
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            with contextlib.suppress(OSError):
                stream.close()

    def __enter__(self) -> MidiSenderProcess:
        return self

    def __exit__(self, *exc: object) -> None:
        self.kill()


def write_rig(
    folder: Path, voices: int = 8, keys: str = "keys:out", octo: str = "octo:in", more: str = ""
) -> Path:
    """Write a rig of one keyboard, a converter of eight channels and a scene that plays all.

    Every key strikes each of the voices, v1 to v8; the converter is fast, with a gate gap of
    2 ms and no settling.
    """
    names = [f"v{number}" for number in range(1, voices + 1)]
    lines = [f"  {n}: {{converter: octo, channel_number: {k}}}" for k, n in enumerate(names, 1)]
    path = folder / "rig.yaml"
    path.write_text(
        f'inputs:\n  keys: {{port: "{keys}"}}\n'
        f'converters:\n  octo: {{port: "{octo}", converter: {{gate_gap_ms: 2}}}}\n'
        "voices:\n" + "\n".join(lines) + f"\n{more}"
    )
    return path


def open_notes(heard: Iterable[bytes]) -> set[tuple[int, int]]:
    """Return the (channel, note) that still sound; fail on a stray or second note-off.

    A note-on while its number sounds counts as a fault too: nothing here plays legato.
    """
    sounding: set[tuple[int, int]] = set()
    for content in heard:
        kind, note = content[0] & 0xF0, (content[0] & 0x0F, *content[1:2])
        if kind == 0x90:
            assert note not in sounding, f"{content.hex(' ')} again"
            sounding.add(note)
        elif kind == 0x80:
            assert note in sounding, f"{content.hex(' ')} releases nothing"
            sounding.remove(note)
    return sounding
