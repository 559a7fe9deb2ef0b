"""MIDI messages: bytes to frozen values and back.

``channel`` is 0 to 15, ``note``, ``velocity`` and controller values 0 to 127,
``bend`` is signed, -8192 to 8191, centre 0. A note-on with velocity 0 arrives
as a note-off of velocity 64 (requirement N7), and note-offs leave as ``8n``.

Source: MIDI 1.0 Detailed Specification 4.2.1, tables I, II, V and VI.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import final

NOTE_OFF_VELOCITY = 64
BANK_MSB, BANK_LSB = 0, 32
SUSTAIN = 64
# Sustain, sostenuto, hold 2: pedals that keep notes sounding at a receiver after their note-offs.
HOLDING_PEDALS = (SUSTAIN, 66, 69)
PRESSED = 64  # a switch's controller value from here on is "down" (F6)
ALL_SOUND_OFF = 120
RESET_CONTROLLERS = 121
ALL_NOTES_OFF = 123
# Data entry, increments, parameter numbers (RPN, NRPN).
PARAMETER_CONTROLLERS = frozenset((6, 38, 96, 97, 98, 99, 100, 101))
BANK_CONTROLLERS = (BANK_MSB, BANK_LSB)
MODE_CONTROLLERS = range(120, 128)
SLIDE = 74  # of a finger of an MPE keyboard
# What is no value of its own: parts of parameters, banks, mode messages.
RESERVED_CONTROLLERS = PARAMETER_CONTROLLERS.union(BANK_CONTROLLERS, MODE_CONTROLLERS)
# What means something only in order.
ORDERED_CONTROLLERS = RESERVED_CONTROLLERS.union(HOLDING_PEDALS)


@final
@dataclass(frozen=True, slots=True)
class NoteOn:
    channel: int
    note: int
    velocity: int


@final
@dataclass(frozen=True, slots=True)
class NoteOff:
    channel: int
    note: int
    velocity: int = NOTE_OFF_VELOCITY


@final
@dataclass(frozen=True, slots=True)
class PolyPressure:
    channel: int
    note: int
    value: int


@final
@dataclass(frozen=True, slots=True)
class ControlChange:
    channel: int
    controller: int
    value: int


@final
@dataclass(frozen=True, slots=True)
class ProgramChange:
    channel: int
    program: int


@final
@dataclass(frozen=True, slots=True)
class ChannelPressure:
    channel: int
    value: int


@final
@dataclass(frozen=True, slots=True)
class PitchBend:
    channel: int
    bend: int


@final
@dataclass(frozen=True, slots=True)
class SongPosition:
    """Sixteenths since the start of the song; one is six clocks."""

    sixteenths: int


@final
@dataclass(frozen=True, slots=True)
class SysEx:
    """A whole exclusive message, ``F0`` to ``F7`` included."""

    content: bytes


@final
@dataclass(frozen=True, slots=True)
class System:
    """A message of one status byte and at most one data byte that carries no pitch.

    ``status`` is one of 0xF1, 0xF3, 0xF6, 0xF8 (clock), 0xFA (start), 0xFB
    (continue), 0xFC (stop), 0xFE (active sensing), 0xFF (reset).
    """

    status: int
    value: int = 0


Message = (
    NoteOn
    | NoteOff
    | PolyPressure
    | ControlChange
    | ProgramChange
    | ChannelPressure
    | PitchBend
    | SongPosition
    | SysEx
    | System
)

CLOCK = System(0xF8)
START = System(0xFA)
CONTINUE = System(0xFB)
STOP = System(0xFC)
ACTIVE_SENSING = System(0xFE)
RESET = System(0xFF)
_SINGLES = {m.status: m for m in (CLOCK, START, CONTINUE, STOP, ACTIVE_SENSING, RESET)}


def parse(content: Sequence[int]) -> Message | None:
    """Return the message that ``content`` is, or None if it is not a whole one.

    Args:
        content: the bytes of exactly one message, with its status byte, as
            the sequencer or JACK hands them over. Running status and
            real-time bytes inside a message do not reach this function: the
            ports deliver parsed events (requirement N8).

    Returns:
        A frozen value; None for undefined status bytes, missing or extra
        bytes, and data bytes above 127.
    """
    if not content:
        return None
    status = content[0]
    if status >= 0xF0:
        return _parse_system(status, content)
    if status < 0x80:
        return None
    kind = status & 0xF0
    channel = status & 0x0F
    if kind == 0xC0 or kind == 0xD0:
        if len(content) != 2 or content[1] > 127:
            return None
        if kind == 0xC0:
            return ProgramChange(channel, content[1])
        return ChannelPressure(channel, content[1])
    if len(content) != 3:
        return None
    first = content[1]
    second = content[2]
    if first > 127 or second > 127:
        return None
    if kind == 0x90:
        if second:
            return NoteOn(channel, first, second)
        return NoteOff(channel, first, NOTE_OFF_VELOCITY)
    if kind == 0x80:
        return NoteOff(channel, first, second)
    if kind == 0xE0:
        return PitchBend(channel, (second << 7 | first) - 8192)
    if kind == 0xB0:
        return ControlChange(channel, first, second)
    return PolyPressure(channel, first, second)


def _parse_system(status: int, content: Sequence[int]) -> Message | None:
    if status == 0xF0:
        whole = len(content) >= 2 and content[-1] == 0xF7 and all(b < 128 for b in content[1:-1])
        return SysEx(bytes(content)) if whole else None
    if any(byte > 127 for byte in content[1:]):
        return None
    if status == 0xF2:
        if len(content) != 3:
            return None
        return SongPosition(content[2] << 7 | content[1])
    if status in (0xF1, 0xF3):
        return System(status, content[1]) if len(content) == 2 else None
    if len(content) != 1:
        return None
    if status == 0xF6:
        return System(status)
    return _SINGLES.get(status)


def encode(message: Message) -> bytes:
    """Return the bytes of one message, status byte first.

    >>> encode(PitchBend(0, 0)).hex(" ")
    'e0 00 40'
    """
    if type(message) is NoteOn:
        return bytes((0x90 | message.channel, message.note, message.velocity))
    if type(message) is PitchBend:
        raw = message.bend + 8192
        return bytes((0xE0 | message.channel, raw & 0x7F, raw >> 7))
    if type(message) is NoteOff:
        return bytes((0x80 | message.channel, message.note, message.velocity))
    if type(message) is ControlChange:
        return bytes((0xB0 | message.channel, message.controller, message.value))
    if type(message) is ProgramChange:
        return bytes((0xC0 | message.channel, message.program))
    if type(message) is ChannelPressure:
        return bytes((0xD0 | message.channel, message.value))
    if type(message) is PolyPressure:
        return bytes((0xA0 | message.channel, message.note, message.value))
    if type(message) is SongPosition:
        return bytes((0xF2, message.sixteenths & 0x7F, message.sixteenths >> 7))
    if type(message) is SysEx:
        return message.content
    if message.status in (0xF1, 0xF3):
        return bytes((message.status, message.value))
    return bytes((message.status,))


def bend_range_messages(channel: int, semitones: int, cents: int = 0) -> tuple[ControlChange, ...]:
    """Return RPN 0 (pitch bend sensitivity) for one channel, closed by RPN null.

    Source: MIDI 1.0 Detailed Specification, p. 18; the null is common practice.
    """
    return tuple(
        ControlChange(channel, controller, value)
        for controller, value in (
            (101, 0),
            (100, 0),
            (6, semitones),
            (38, cents),
            (101, 127),
            (100, 127),
        )
    )
