"""An output port. Sending never waits for long and never raises.

On ALSA an event is delivered inside the call. On JACK it goes into a ring
buffer of 16 KiB that the server's next period empties. The library waits for
room there for ever, holding the GIL, and one period takes more than many receivers
read in one, so this module keeps the buffer nearly empty and checks that the server
still runs.
"""

from __future__ import annotations

import contextlib
import time

from ..errors import PortError
from .patch import OWN_PORT, Patch, check_client_name, own_client, wait_periods
from .rtmidi_api import api_of, rtmidi

RING_BYTES = 16384  # JACK_RINGBUFFER_SIZE in RtMidi's RtMidi.cpp
HEADER_BYTES = 4  # before each message there
# Measured on an asynchronous server, 3000 notes in one burst: a receiver in Python heard 1170 with
# 8192 bytes allowed to wait, 2708 with 2048, mostly all with 1024; synchronous: all, always.
WAITING_BYTES = 1024
WAIT_S = 0.2  # for a period of the server; the longest is 8192 frames, 0.17 s
BUSY_S = 0.01  # for a receiver on ALSA whose queue is full; hardware never is
PERIODS_TO_DRAIN = 3  # taken in the next, delivered in the one after, and that one has begun


class MidiOut:
    """The daemon's port for one output of the rig, open for life.

    Args:
        output_name: the output's name in the rig; the port is seen as
            ``zerobeat out NAME:midi``.
        patch: the backend, and whether its server lives.

    ``faults`` counts messages that could not be sent, ``last_fault`` says why.

    Raises:
        PortError: the port can't be opened.
    """

    def __init__(self, output_name: str, patch: Patch, client_name: str = "") -> None:
        self.name = output_name
        self.client_name = client_name or own_client("out", output_name)
        self.faults = 0
        self.last_fault = ""
        self._closed = False
        self._busy = False
        self._patch = patch
        self._jack = patch.backend == "jack"
        self._period = 0
        self._before_bytes = 0  # sent before the last period seen to begin; may wait still
        self._since_bytes = 0
        check_client_name(self.client_name, patch.backend)
        try:
            self._port = rtmidi.MidiOut(api_of(patch), name=self.client_name)
            self._port.open_virtual_port(OWN_PORT)
        except rtmidi.RtMidiError as error:
            raise PortError(f'port "{self.client_name}" can\'t be opened: {error}') from None

    def send(self, content: bytes) -> bool:
        """Send one message; what fails is counted, not raised. True if it was handed over."""
        if self._closed or not self._patch.alive:
            self._fault("closed" if self._closed else "the JACK server has gone")
            return False
        if self._jack and not self._room(len(content) + HEADER_BYTES):
            self._fault("the JACK server takes nothing")
            return False
        try:
            self._send(content)
            self._busy = False
        except Exception as error:  # noqa: BLE001 - the messages behind it must still go
            self._fault(str(error))
            return False
        return True

    def handed_over_at(self) -> int | None:
        """Return the server's time now; None on ALSA, where ``send`` delivers."""
        return self._patch.cycles() if self._jack else None

    def _send(self, content: bytes) -> None:
        """Send; where a program's queue is full, give it a moment, but only once."""
        end_s = 0.0
        while True:
            try:
                self._port.send_message(content)
                return
            except rtmidi.RtMidiError:
                now_s = time.monotonic()
                end_s = end_s or now_s + BUSY_S
                if self._busy or now_s >= end_s:
                    self._busy = True
                    raise
            time.sleep(0.001)

    def _fault(self, why: str) -> None:
        self.faults += 1
        self.last_fault = why

    def _room(self, size: int) -> bool:
        """Return whether ``size`` bytes may go now; may wait WAIT_S for it."""
        if size > RING_BYTES // 2:
            return False
        end_s = time.monotonic() + WAIT_S
        while True:
            period = self._patch.cycles()
            if period != self._period:
                self._period = period
                self._before_bytes, self._since_bytes = self._since_bytes, 0
                self._busy = False
            waiting = self._before_bytes + self._since_bytes
            if waiting == 0 or waiting + size <= WAITING_BYTES:
                self._since_bytes += size
                return True
            if self._busy or not self._patch.alive or time.monotonic() > end_s:
                self._busy = True  # the next one does not wait again
                return False
            time.sleep(0.001)

    def drain(self, timeout_s: float = 0.5) -> bool:
        """Return once all that was sent has left; False if it has not in time."""
        if not self._jack:
            return True  # delivered inside send()
        return wait_periods(self._patch, PERIODS_TO_DRAIN, timeout_s)

    def close(self) -> None:
        """Close the port; what was not drained may be lost. A second time does nothing."""
        if self._closed:
            return
        self._closed = True
        with contextlib.suppress(rtmidi.RtMidiError):
            self._port.close_port()
        self._port.delete()
