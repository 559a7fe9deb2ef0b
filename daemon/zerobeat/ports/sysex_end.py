"""Ends system exclusive messages that a device left open, on JACK.

The MIDI library takes all that follows an unterminated system exclusive message on a JACK
port for more of it, until an F7 comes: the input is deaf, note-offs included, across unplug
and replug. So an F7 of our own goes to our inputs now and then. An open input then hands
over all that it has swallowed, which ``split_messages`` takes apart; any other input ignores
it. On ALSA the library has no such fault.

Source: jackProcessIn in RtMidi's RtMidi.cpp; MIDI 1.0 Detailed Specification, p. 5.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable

from ..errors import PortError
from .midi_out import MidiOut
from .patch import OWN_PORT, SYSEX_END_CLIENT, Patch, own_client
from .port_name import PortName

SEND_EVERY_S = 0.25


class SysExEnd:
    """An output port that is connected to our own inputs.

    Args:
        patch: the backend; on ALSA nothing is opened.

    Raises:
        PortError: the port can't be opened.
    """

    def __init__(self, patch: Patch) -> None:
        self.due_s = 0.0 if patch.backend == "jack" else float("inf")
        self._patch = patch
        self._port = MidiOut("sysex end", patch, SYSEX_END_CLIENT) if self.due_s == 0.0 else None
        self._names: set[str] = set()

    def use(self, inputs: Iterable[str]) -> None:
        """Connect it to the inputs of a rig; they are open."""
        self._names = set(inputs)

    def step(self, now_s: float) -> None:
        """Send the F7, if it is due."""
        if now_s < self.due_s or self._port is None:
            return
        self.due_s = now_s + SEND_EVERY_S
        if self._patch.alive:
            source = _name(SYSEX_END_CLIENT)
            for name in self._names:
                with contextlib.suppress(PortError):
                    self._patch.connect(source, _name(own_client("in", name)))
            self._port.send(b"\xf7")

    def close(self) -> None:
        if self._port is not None:
            self._port.close()


def _name(client: str) -> PortName:
    return PortName(client, OWN_PORT, "in", address=f"{client}:{OWN_PORT}", own=True)
