"""A virtual MIDI-to-CV interface: bytes in, volts and gates out, channel by channel.

It records all changes, so volts and gate are known for any past moment. Note and
bend make one pitch: cents are summed, then rounded to the converter's steps; or, with
``bend_sum: analogue``, the note alone is rounded and the bend's volts are added after, so
that the steps and the nonlinearity belong to the note's number.
``overlap`` is the effect of a second note on a sounding channel: ``legato``
moves the pitch under an open gate, ``retriggers`` opens the gate again,
``unsafe`` lets the first note-off close the gate under the second note.

Sources: MIDI 1.0 Detailed Specification 4.2.1 (bend, RPN 0, mode messages),
RP-015 (reset all controllers centres the bend and keeps its range).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    RESET,
    RESET_CONTROLLERS,
    ControlChange,
    Message,
    NoteOff,
    NoteOn,
    PitchBend,
)
from .dac import Dac, DacModel
from .midi_stream import ByteStream
from .oscillator import TRIM_KELVIN

Floats = NDArray[np.float64]
CHANNELS = 16
_CENTS_A_VOLT = 1200.0


@dataclass(frozen=True, slots=True)
class ConverterModel:
    """What the interface does, and the analogue parts of its channels."""

    bend_range_cents: float = 200.0  # at power-on, one side
    heeds_bend_range: bool = True  # RPN 0 changes the range
    bend_bits: int = 14  # of 14, from the most significant
    bend_gain: float = 1.0  # 1.01 bends one part in a hundred too far
    bend_sum: Literal["digital", "analogue"] = "digital"  # before or after the DAC
    lowest_note: int = 0  # notes outside are ignored
    highest_note: int = 127
    zero_volt_note: int = 36
    bend_with_gate_low: bool = True  # False: a bend waits for the next note
    overlap: Literal["legato", "retriggers", "unsafe"] = "legato"
    heeds_all_notes_off: bool = True  # CC 120 and 123
    note_errors_cents: Mapping[int, float] = field(default_factory=dict)  # by number
    dac: DacModel = DacModel()
    dacs: Mapping[int, DacModel] = field(default_factory=dict)  # channels that differ


@dataclass(frozen=True, slots=True)
class Change:
    """The state of a channel from ``at_s`` on."""

    at_s: float
    coded_volts: float  # target of the output
    start_volts: float  # the output at that moment, where it slews
    gate: bool
    strikes: int  # how often the gate was opened so far


class _ConverterChannel:
    """The state of one channel: held notes, bend, parameter, gate, and its past changes."""

    def __init__(self, model: ConverterModel) -> None:
        self.note = model.zero_volt_note
        self.held: list[int] = []
        self.bend = 0
        self.bend_heard = 0
        self.range_cents = model.bend_range_cents
        self.parameter: tuple[int, int] = (127, 127)  # RPN null
        self.gate = False
        self.strikes = 0
        self.times: list[float] = []
        self.changes: list[Change] = []


class VirtualConverter:
    """One interface with 16 MIDI channels."""

    def __init__(self, model: ConverterModel = ConverterModel(), seed: int = 0) -> None:
        self.model = model
        self._dacs = [
            Dac(model.dacs.get(channel, model.dac), seed, channel) for channel in range(CHANNELS)
        ]
        errors = np.zeros(128)
        for note, cents in model.note_errors_cents.items():
            errors[note] = cents
        self._note_errors_cents = errors
        self._stream = ByteStream()
        self._now_s = 0.0
        self._channels = [_ConverterChannel(model) for _ in range(CHANNELS)]
        for number in range(CHANNELS):
            self._record(number)

    # ------------------------------------------------------------ bytes in

    def receive(self, content: bytes, now_s: float) -> None:
        """Receive bytes at a time; an earlier time counts as the last one."""
        self._now_s = max(self._now_s, now_s)
        for message in self._stream.feed(content):
            self._obey(message)

    def _obey(self, message: Message) -> None:
        if isinstance(message, NoteOn):
            self._note_on(message.channel, message.note)
        elif isinstance(message, NoteOff):
            self._note_off(message.channel, message.note)
        elif isinstance(message, PitchBend):
            self._bend(message.channel, message.bend)
        elif isinstance(message, ControlChange):
            self._control(message.channel, message.controller, message.value)
        elif message == RESET:
            for number, old in enumerate(self._channels):
                fresh = _ConverterChannel(self.model)
                fresh.times, fresh.changes, fresh.strikes = old.times, old.changes, old.strikes
                self._channels[number] = fresh
                self._record(number)

    def _note_on(self, number: int, note: int) -> None:
        model, channel = self.model, self._channels[number]
        if not model.lowest_note <= note <= model.highest_note:
            return
        if note in channel.held:
            channel.held.remove(note)
        channel.held.append(note)
        if not channel.gate or model.overlap == "retriggers":
            channel.strikes += 1
        channel.gate = True
        channel.note = note
        channel.bend_heard = channel.bend
        self._record(number)

    def _note_off(self, number: int, note: int) -> None:
        model, channel = self.model, self._channels[number]
        if note not in channel.held:
            return
        channel.held.remove(note)
        if model.overlap == "unsafe" or not channel.held:
            channel.gate = False  # the pitch stays where it is
        elif channel.held[-1] != channel.note:
            channel.note = channel.held[-1]  # the key still down sounds again
            if model.overlap == "retriggers":
                channel.strikes += 1
        self._record(number)

    def _bend(self, number: int, bend: int) -> None:
        channel = self._channels[number]
        channel.bend = bend
        if channel.gate or self.model.bend_with_gate_low:
            channel.bend_heard = bend
            self._record(number)

    def _control(self, number: int, controller: int, value: int) -> None:
        channel = self._channels[number]
        if controller == 101:
            channel.parameter = (value, channel.parameter[1])
        elif controller == 100:
            channel.parameter = (channel.parameter[0], value)
        elif controller in (98, 99):
            channel.parameter = (127, 127)  # an NRPN is selected
        elif controller in (6, 38) and channel.parameter == (0, 0):
            self._set_range(number, controller, value)
        elif controller == RESET_CONTROLLERS:
            channel.parameter = (127, 127)
            self._bend(number, 0)
        elif controller in (ALL_SOUND_OFF, ALL_NOTES_OFF) and self.model.heeds_all_notes_off:
            channel.held.clear()
            channel.gate = False
            self._record(number)

    def _set_range(self, number: int, controller: int, value: int) -> None:
        if not self.model.heeds_bend_range:
            return
        channel = self._channels[number]
        if controller == 6:
            channel.range_cents = 100.0 * value  # a new MSB sets the LSB to 0
        else:
            channel.range_cents = 100.0 * (channel.range_cents // 100.0) + value
        self._record(number)

    def _record(self, number: int) -> None:
        channel = self._channels[number]
        coded = float(
            self._coded_volts(number, channel.note, channel.bend_heard, channel.range_cents)
        )
        start = self._slewed(number, self._now_s) if channel.changes else coded
        if channel.times and channel.times[-1] == self._now_s:
            start = channel.changes[-1].start_volts  # no time has passed since the last change
            channel.times.pop()
            channel.changes.pop()
        channel.times.append(self._now_s)
        channel.changes.append(Change(self._now_s, coded, start, channel.gate, channel.strikes))

    # ---------------------------------------------------------- volts out

    def volts(self, channel: int, at_s: float | None = None, kelvin: float = TRIM_KELVIN) -> float:
        """Return a channel's volts at the oscillator's input, now or at a past time."""
        at_s = self._now_s if at_s is None else at_s
        return float(self._dacs[channel].output(self._slewed(channel, at_s), kelvin))

    def volts_at(self, channel: int, at_s: ArrayLike, kelvin: ArrayLike = TRIM_KELVIN) -> Floats:
        """Return a channel's volts at each time of an array, shape as ``at_s``."""
        times = np.asarray(at_s, float)
        changes = self._channels[channel].changes
        index = np.searchsorted(self._channels[channel].times, times, side="right") - 1
        index = np.maximum(index, 0)
        coded = np.array([change.coded_volts for change in changes])[index]
        slew_s = self._dacs[channel].model.slew_s
        if slew_s > 0.0:
            start = np.array([change.start_volts for change in changes])[index]
            since_s = times - np.array(self._channels[channel].times)[index]
            coded = coded + (start - coded) * np.exp(-np.maximum(since_s, 0.0) / slew_s)
        return self._dacs[channel].output(coded, kelvin)

    def gate(self, channel: int, at_s: float | None = None) -> bool:
        """Return whether a channel's gate is open, now or at a past time."""
        return self._change(channel, self._now_s if at_s is None else at_s).gate

    def changes(self, channel: int) -> tuple[Change, ...]:
        """Return a channel's changes in order of time, one for each moment."""
        return tuple(self._channels[channel].changes)

    def bend_range_cents(self, channel: int) -> float:
        """Return the bend range in force, one side."""
        return self._channels[channel].range_cents

    def settled_volts(
        self,
        channel: int,
        notes: ArrayLike,
        bends: ArrayLike = 0,
        kelvin: ArrayLike = TRIM_KELVIN,
        range_cents: float | None = None,
    ) -> Floats:
        """Return the volts of many (note, bend) at once, without playing them.

        Args:
            channel: whose analogue model is used.
            notes: MIDI keys inside the note range, any shape.
            bends: signed bends, broadcast against ``notes``.
            kelvin: temperature, broadcast too.
            range_cents: bend range; None is the one in force.
        """
        if range_cents is None:
            range_cents = self._channels[channel].range_cents
        coded = self._coded_volts(channel, np.asarray(notes), np.asarray(bends), range_cents)
        return self._dacs[channel].output(coded, kelvin)

    def step_cents(self, channel: int) -> float:
        """Return one step of the channel's converter in cents; 0.0 without steps."""
        return _CENTS_A_VOLT * self._dacs[channel].model.step_volts

    def _coded_volts(
        self, channel: int, notes: ArrayLike, bends: ArrayLike, range_cents: float
    ) -> Floats:
        """Return the volts of the DAC, and of the bend where that is added after it."""
        model, dac = self.model, self._dacs[channel]
        dropped = 14 - model.bend_bits
        kept = (np.asarray(bends) + 8192 >> dropped << dropped) - 8192
        bent = kept * (range_cents / 8192.0 * model.bend_gain / _CENTS_A_VOLT)
        notes = np.asarray(notes)
        cents = 100.0 * (notes - model.zero_volt_note) + self._note_errors_cents[notes]
        target = cents / _CENTS_A_VOLT
        if model.bend_sum == "analogue":
            return np.asarray(dac.coded(target) + bent, float)
        return dac.coded(target + bent)

    def _change(self, channel: int, at_s: float) -> Change:
        index = bisect_right(self._channels[channel].times, at_s) - 1
        return self._channels[channel].changes[max(index, 0)]

    def _slewed(self, channel: int, at_s: float) -> float:
        change = self._change(channel, at_s)
        slew_s = self._dacs[channel].model.slew_s
        if slew_s <= 0.0:
            return change.coded_volts
        rest = float(np.exp(-max(at_s - change.at_s, 0.0) / slew_s))
        return change.coded_volts + (change.start_volts - change.coded_volts) * rest
