"""Bytes to messages: running status, real-time bytes, interrupted exclusive."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zerobeat.midi import (
    ACTIVE_SENSING,
    CLOCK,
    NoteOff,
    NoteOn,
    PitchBend,
    SongPosition,
    SysEx,
    System,
    encode,
)
from zerobeat.sim.midi_stream import ByteStream

ON = NoteOn(0, 60, 64)

# Typed from the rules of MIDI 1.0 Detailed Specification 4.2.1, p. 5 and appendix A-2.
# ALSA's event encoder gives the same events.
CASES = [
    ("90 3C 40 3E 40", [ON, NoteOn(0, 62, 64)]),  # running status
    ("90 3C 40 3C 00", [ON, NoteOff(0, 60, 64)]),  # velocity 0
    ("90 3C F8 40 FE 3C 00", [CLOCK, ON, ACTIVE_SENSING, NoteOff(0, 60, 64)]),
    ("90 3C 40 F6 3E 40", [ON, System(0xF6)]),  # common clears running status
    ("90 3C 40 F0 7E 7F F7 3E 40", [ON, SysEx(bytes.fromhex("F07E7FF7"))]),
    ("F0 7E F8 7F F7", [CLOCK, SysEx(bytes.fromhex("F07E7FF7"))]),
    ("F0 7E 7F 90 3C 40", [ON]),  # exclusive cut by a status byte
    ("3C 40 E1 00 40", [PitchBend(1, 0)]),  # data without status
    ("E0 01 40", [PitchBend(0, 1)]),  # low byte first
    ("90 3C F9 40", [ON]),  # undefined real time clears nothing
    ("90 3C 40 F5 3E 40", [ON]),  # undefined common clears
    ("F2 0A 00", [SongPosition(10)]),
]


@pytest.mark.parametrize(("content", "events"), CASES, ids=[case[0] for case in CASES])
def test_stream_means_what_the_standard_says(content, events):
    assert ByteStream().feed(bytes.fromhex(content)) == events


@pytest.mark.parametrize(("content", "events"), CASES, ids=[case[0] for case in CASES])
def test_stream_may_be_cut_anywhere(content, events):
    stream = ByteStream()
    heard = [message for byte in bytes.fromhex(content) for message in stream.feed([byte])]
    assert heard == events


def test_unknown_bytes_are_dropped_and_the_next_message_is_heard():
    assert ByteStream().feed(b"\xf7\xfd\xf4\x10" + encode(ON)) == [ON]


@given(st.lists(st.integers(0, 255), max_size=60))
def test_no_bytes_break_it(content):
    stream = ByteStream()
    stream.feed(content)
    assert stream.feed(encode(ON))[-1] == ON
