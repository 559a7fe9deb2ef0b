"""An input port: stamp, append, wake. Nothing is parsed or decided here.

On ALSA the library calls back, in a thread of its own. The callback must be quick: the kernel
queues 200 events for us, and clears them all on overflow.

On JACK it must never call back. It would read the server's buffer while it waits for the
interpreter, which somebody may hold for longer than a period (the library itself does, for
15 ms, when it opens a client); the server writes the next period's messages there meanwhile, so
that some would be lost and others come twice. So its thread copies them into its own queue, for
which it needs no lock, and ``collect`` looks there a few times in each period.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections import deque
from collections.abc import Sequence

from ..errors import PortError
from .interruptions import Interruptions
from .patch import OWN_PORT, Patch, check_client_name, own_client
from .rtmidi_api import api_of, rtmidi

Inbox = deque[tuple[float, str, Sequence[int]]]
INBOX_LIMIT = 4096  # messages: two seconds of a flood of 2,000 a second

INBOX_QUIET_S = 0.01
QUIET_TIMEOUT_S = 2.0
_LEFT_OPEN: list[rtmidi.MidiIn] = []


# Bytes of a message by its status: MIDI 1.0 Detailed Specification, tables 1 and 5.
_LENGTHS = {0x80: 3, 0x90: 3, 0xA0: 3, 0xB0: 3, 0xC0: 2, 0xD0: 2, 0xE0: 3}
_COMMON_LENGTHS = {0xF1: 2, 0xF2: 3, 0xF3: 2}
_START_STOP = (0xFA, 0xFB, 0xFC)
END_OF_EXCLUSIVE = [0xF7]


def split_messages(content: Sequence[int]) -> list[Sequence[int]]:
    """Return the messages in bytes that the library took for one.

    A system exclusive message that no F7 ends is ended by the next status byte (MIDI 1.0
    Detailed Specification, p. 5), but on JACK the library goes on to the next F7. Clock and
    active sensing among them would come too late and are left out.
    """
    if content[0] == 0xF0 and max(content[1:-1], default=0) < 0x80:
        return [content]
    messages: list[Sequence[int]] = []
    current: list[int] = []
    length = 0
    for byte in content:
        if byte >= 0xF8:
            if byte in _START_STOP:
                messages.append([byte])
            continue
        if byte >= 0x80:
            if byte == 0xF7 and current and current[0] == 0xF0:
                current.append(byte)
            if current:
                messages.append(current)
            current = [] if byte == 0xF7 else [byte]
            length = _LENGTHS.get(byte & 0xF0, _COMMON_LENGTHS.get(byte, 1))
        else:
            current.append(byte)
        if len(current) == length and current[0] != 0xF0:
            messages.append(current)
            current = []
    if current:
        messages.append(current)
    return messages


class MidiIn:
    """The daemon's port for one input of the rig, open for life.

    Args:
        input_name: the input's name in the rig; the port is seen as
            ``zerobeat in NAME:midi``.
        inbox: where ``(now_s, input_name, bytes as a list)`` is appended: one deque for
            all inputs. ``now_s`` is ``time.monotonic()`` at receipt.
        wake_fd: an eventfd that is written after each append in a callback.
        patch: the backend.
        limit: messages that may wait in ``inbox``; more are dropped.
        interruptions: hears of each message too.

    Every class of message arrives, clock, active sensing and SysEx too.
    ``overflowed`` turns True when a message of this input was lost: its notes
    are then unknown and must be released; who does so sets it False again.
    While ``takes`` is False, what arrives is dropped.

    Raises:
        PortError: the port can't be opened.
    """

    def __init__(
        self,
        input_name: str,
        inbox: Inbox,
        wake_fd: int,
        patch: Patch,
        limit: int = INBOX_LIMIT,
        interruptions: Interruptions | None = None,
    ) -> None:
        self.name = input_name
        self.client_name = own_client("in", input_name)
        self.takes = True
        self.overflowed = False
        self.lost = 0
        self.faults = 0
        self._calls = 0
        self._patch = patch
        self._closed = False
        self._queued = patch.backend == "jack"
        self._inbox = inbox
        self._wake_fd = wake_fd
        self._limit = limit
        self._interruptions = interruptions or Interruptions()
        check_client_name(self.client_name, patch.backend)
        before = _threads()
        try:
            size = limit + 1 if self._queued else 2  # of a ring that is never quite full
            self._port = rtmidi.MidiIn(api_of(patch), self.client_name, size)
            self._port.ignore_types(sysex=False, timing=False, active_sense=False)
            if not self._queued:
                self._port.set_callback(self._on_message)
            self._port.open_virtual_port(OWN_PORT)
        except rtmidi.RtMidiError as error:
            raise PortError(f'port "{self.client_name}" can\'t be opened: {error}') from None
        self._threads = frozenset() if self._queued else _threads() - before

    def _on_message(self, event: tuple[Sequence[int], float], unused: object = None) -> None:
        now_s = time.monotonic()
        self._calls += 1
        try:
            self._append(now_s, event[0])
            os.eventfd_write(self._wake_fd, 1)
            self._interruptions.arrived()
        except Exception:  # noqa: BLE001 - counted; the callback has no other way out
            self.faults += 1

    def _append(self, now_s: float, content: Sequence[int]) -> None:
        if content == END_OF_EXCLUSIVE or not self.takes:  # see SysExEnd in sysex_end.py
            return
        if len(self._inbox) >= self._limit:
            self.lost += 1
            self.overflowed = True
        else:
            self._inbox.append((now_s, self.name, content))

    def collect(self) -> None:
        """Append what waits in the library's queue, where the library does not call back."""
        if not self._queued or self._closed:
            return
        for _ in range(self._limit):
            event = self._port.get_message()
            if event is None:
                return
            self._append(time.monotonic(), event[0])
        self.overflowed = True  # the queue was full, so more may have come

    def close(self) -> None:
        """Close the port; a second call does nothing. Takes 20 ms or so.

        On ALSA the library closes with the GIL held and waits for its thread, which may wait for
        the GIL in the callback: both for ever. So first the port is disconnected and what is
        under way arrives, while this thread sleeps. On a busy machine a quiet moment is no
        proof, so the kernel is asked whether the library's thread has nothing in hand.
        """
        if self._closed:
            return
        self._closed = True
        if self._queued:
            self._delete()
            return
        self._patch.isolate(self.client_name)
        if not self._wait_until_quiet():
            _LEFT_OPEN.append(self._port)  # disconnected; it closes with the process
            return
        with contextlib.suppress(rtmidi.RtMidiError):
            self._port.cancel_callback()
        self._delete()

    def _delete(self) -> None:
        with contextlib.suppress(rtmidi.RtMidiError):
            self._port.close_port()
        self._port.delete()

    def _wait_until_quiet(self) -> bool:
        """Return True once no callback is under way, False if that is unknown in time."""
        end_s = time.monotonic() + QUIET_TIMEOUT_S
        while time.monotonic() < end_s:
            calls = self._calls
            time.sleep(INBOX_QUIET_S)
            if self._calls == calls and all(map(_waits_for_input, self._threads)):
                return True
        return False


def _threads() -> frozenset[str]:
    try:
        return frozenset(os.listdir("/proc/self/task"))
    except OSError:
        return frozenset()


def _waits_for_input(thread: str) -> bool:
    """True if a thread sleeps in poll, has ended, or can't be looked at.

    One that was woken by an event runs, and one that wants the GIL sleeps in futex.

    Source: proc(5), /proc/pid/stat and /proc/pid/wchan.
    """
    folder = f"/proc/self/task/{thread}"
    try:
        with open(f"{folder}/stat") as stat, open(f"{folder}/wchan") as wchan:
            state = stat.read().rpartition(")")[2].split()[0]
            place = wchan.read()
    except OSError:
        return True
    return state == "S" and (place in ("", "0") or "poll" in place)
