"""The wire: order, equal bends, gaps, the byte budget, losses (requirements B1, B2, B6, N11)."""

from __future__ import annotations

import pytest

from zerobeat.engine.settings import Converter, Output
from zerobeat.engine.wire import BENDS_UNKNOWN, LINK_CUT, LINK_LOST, Wire
from zerobeat.midi import (
    CLOCK,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
    bend_range_messages,
    encode,
    parse,
)

DIN_BYTES_PER_SECOND = 3125  # 31,250 baud, ten bits a byte: MIDI 1.0 Detailed Specification, p. 1


class Cable:
    """A wire with one output, and what left it with its time."""

    def __init__(self, **facts):
        facts.setdefault("gate_gap_s", 0.0)
        self.wire = Wire((Output("out", "quad:quad MIDI 1", converter=Converter(**facts)),))
        self.sent = []

    def put(self, at_s, *messages):
        """Put one event; return the messages that leave by it, at that time."""
        self.run(at_s)
        self.wire.put([("out", message) for message in messages], at_s)
        return self._take(at_s)

    def run(self, end_s):
        """Let what falls due before a time leave at its own moment."""
        last_s = -1.0
        while (at_s := self.wire.wake_at_s) is not None and at_s < end_s:
            assert at_s > last_s or self._take(at_s), "the wire asks for ever"
            last_s = at_s
            self._take(at_s)

    def _take(self, at_s):
        taken = [parse(content) for _, content in self.wire.take(at_s)]
        self.sent += [(at_s, message) for message in taken]
        return taken

    def of(self, kind):
        return [(at_s, m) for at_s, m in self.sent if type(m) is kind]


# ---------------------------------------------------------------- order (B1)


def test_silent_voices_get_all_bends_then_all_note_ons():
    """Requirement B1: no gate opens on a stale bend, and a unison opens together."""
    sent = Cable().put(
        1.0,
        PitchBend(0, 5),
        NoteOn(0, 60, 9),
        PitchBend(1, 6),
        NoteOn(1, 60, 9),
        PitchBend(2, 7),
        NoteOn(2, 60, 9),
    )
    assert sent == [
        PitchBend(0, 5),
        PitchBend(1, 6),
        PitchBend(2, 7),
        NoteOn(0, 60, 9),
        NoteOn(1, 60, 9),
        NoteOn(2, 60, 9),
    ]


def test_a_restrike_is_off_gap_bend_on():
    cable = Cable(gate_gap_s=0.003)
    cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9))
    assert cable.put(2.0, NoteOff(0, 60), PitchBend(0, 6), NoteOn(0, 62, 9)) == [NoteOff(0, 60)]
    cable.run(3.0)
    assert cable.sent[-2:] == [
        (pytest.approx(2.003), PitchBend(0, 6)),
        (pytest.approx(2.003), NoteOn(0, 62, 9)),
    ]


def test_legato_bends_directly_before_its_own_note_on():
    """Requirement B1: nothing stands between, and the old note falls after."""
    cable = Cable(overlap="legato")
    cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9), PitchBend(1, 5), NoteOn(1, 60, 9))
    sent = cable.put(
        2.0,
        PitchBend(0, 6),
        NoteOn(0, 62, 9),
        NoteOff(0, 60),
        PitchBend(1, 7),
        NoteOn(1, 62, 9),
        NoteOff(1, 60),
    )
    assert sent == [
        PitchBend(0, 6),
        NoteOn(0, 62, 9),
        NoteOff(0, 60),
        PitchBend(1, 7),
        NoteOn(1, 62, 9),
        NoteOff(1, 60),
    ]


def test_a_unison_waits_for_the_voice_that_needs_a_gap():
    cable = Cable(gate_gap_s=0.003)
    cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9))
    cable.put(
        2.0, NoteOff(0, 60), PitchBend(0, 6), NoteOn(0, 62, 9), PitchBend(1, 8), NoteOn(1, 62, 9)
    )
    cable.run(3.0)
    assert [at_s for at_s, _ in cable.of(NoteOn)[1:]] == pytest.approx([2.003, 2.003])


def test_a_note_off_while_the_note_on_waits_leaves_after_it():
    """Invariant 1: a key faster than the gap still opens and closes the gate once."""
    cable = Cable(gate_gap_s=0.003)
    cable.put(1.0, NoteOn(0, 60, 9))
    cable.put(2.0, NoteOff(0, 60), NoteOn(0, 62, 9))
    cable.put(2.001, NoteOff(0, 62))
    cable.run(3.0)
    assert [m for _, m in cable.sent[-2:]] == [NoteOn(0, 62, 9), NoteOff(0, 62)]


# ---------------------------------------------------------------- bends (B2)


def test_an_equal_bend_is_left_out_until_the_link_was_cut():
    """Requirement B2: skipped only while the link has not been interrupted."""
    cable = Cable()
    cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9))
    cable.put(1.5, NoteOff(0, 60))
    assert cable.put(2.0, PitchBend(0, 5), NoteOn(0, 60, 9)) == [NoteOn(0, 60, 9)]
    cable.put(2.5, NoteOff(0, 60))
    for marker in (BENDS_UNKNOWN, LINK_CUT):
        cable.put(3.0, marker)
        assert cable.put(3.1, PitchBend(0, 5), NoteOn(0, 60, 9))[0] == PitchBend(0, 5)
        cable.put(3.2, NoteOff(0, 60))


def test_a_changed_bend_settles_before_its_note_on_and_an_equal_one_does_not():
    """Requirement B1: an optional settle time."""
    cable = Cable(settle_s=0.002)
    assert cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9)) == [PitchBend(0, 5)]
    cable.run(1.5)
    assert cable.sent[-1] == (pytest.approx(1.002), NoteOn(0, 60, 9))
    cable.put(1.5, NoteOff(0, 60))
    assert cable.put(2.0, PitchBend(0, 5), NoteOn(0, 60, 9)) == [NoteOn(0, 60, 9)]


def test_a_converter_deaf_with_the_gate_low_hears_its_bend_again():
    """Requirement B1: a bend that comes before the note-on is ignored by some."""
    cable = Cable(bend_with_gate_low=False)
    sent = cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9))
    assert sent == [PitchBend(0, 5), NoteOn(0, 60, 9), PitchBend(0, 5)]


def test_of_two_bends_of_one_event_the_last_is_sent():
    cable = Cable()
    cable.put(1.0, PitchBend(0, 5), NoteOn(0, 60, 9))
    assert cable.put(2.0, PitchBend(0, 6), PitchBend(0, 7)) == [PitchBend(0, 7)]


# ---------------------------------------------------------------- budget (B6)


class Din:
    """A receiver at 31,250 baud: each byte takes 0.32 ms, in the order it was given."""

    def __init__(self):
        self.free_at_s = 0.0
        self.arrived = []  # (seconds at which the last byte is there, message)

    def hear(self, at_s, message):
        self.free_at_s = max(self.free_at_s, at_s) + len(encode(message)) / DIN_BYTES_PER_SECOND
        self.arrived.append((self.free_at_s, message))


def notes_under_detune(flood):
    """Return when each note message has arrived, 8 voices struck in turn, and the cable."""
    cable = Cable(bytes_per_second=DIN_BYTES_PER_SECOND)
    steps = {}
    for tick in range(4000):  # milliseconds
        at_s = 1.0 + tick / 1000.0
        if flood:  # each event moves all eight voices
            cable.put(at_s, *(PitchBend(voice, tick + voice) for voice in range(8)))
        if tick % 50 == 7:
            voice = tick // 50 % 8
            cable.put(at_s, PitchBend(voice, tick - voice), NoteOn(voice, 60, 9))
        if tick % 50 == 40:
            cable.put(at_s, NoteOff(tick // 50 % 8, 60))
    cable.run(10.0)
    din = Din()
    for at_s, message in cable.sent:
        din.hear(at_s, message)
        if type(message) is PitchBend:
            steps[message.channel] = message.bend
    notes = [(at_s, m) for at_s, m in din.arrived if type(m) in (NoteOn, NoteOff)]
    return notes, steps, cable


def test_notes_are_on_time_under_a_flood_of_bends_on_a_din_cable():
    """Requirement B6: no note more than 1 ms later than on an idle cable, none lost."""
    idle, _, _ = notes_under_detune(flood=False)
    busy, steps, cable = notes_under_detune(flood=True)
    assert len(idle) == 160
    assert [m for _, m in busy] == [m for _, m in idle]
    late_s = [b - i for (b, _), (i, _) in zip(busy, idle, strict=True)]
    assert max(late_s) <= 0.001 + 1e-9
    assert steps == {voice: 3999 + voice for voice in range(8)}  # each voice's last place arrived
    _, thinned, waiting, _ = cable.wire.load("out")
    assert thinned > 20_000  # 32,000 bends in 4 s, room for about 4,000
    assert waiting == 0


def test_no_bend_that_waits_overtakes_or_follows_its_note():
    """Requirement B1, under a flood: the bend before each note-on is the note's own."""
    _, _, cable = notes_under_detune(flood=True)
    bent = {}
    struck = 0
    for at_s, message in cable.sent:
        if type(message) is PitchBend:
            bent[message.channel] = message.bend
        elif type(message) is NoteOn:
            tick = round((at_s - 1.0) * 1000.0)
            assert bent[message.channel] == tick - message.channel
            struck += 1
    assert struck == 80


def test_a_bend_that_waits_falls_away_when_its_channel_is_struck():
    """Requirement B6: the note's own bend replaces it, and nothing follows to spoil it."""
    cable = Cable(bytes_per_second=DIN_BYTES_PER_SECOND)
    cable.put(1.0, PitchBend(0, 1), PitchBend(1, 2))  # the second waits
    assert cable.put(1.0, PitchBend(1, 3), NoteOn(1, 60, 9)) == [PitchBend(1, 3), NoteOn(1, 60, 9)]
    cable.run(2.0)
    assert cable.of(PitchBend) == [(1.0, PitchBend(0, 1)), (1.0, PitchBend(1, 3))]


def test_note_offs_are_never_dropped_nor_thinned():
    """Requirements B6, M11."""
    cable = Cable(bytes_per_second=DIN_BYTES_PER_SECOND)
    for note in range(128):
        cable.put(1.0, NoteOn(note % 16, note, 9))
        cable.put(1.0, *(PitchBend(channel, note) for channel in range(16)))
        cable.put(1.0, NoteOff(note % 16, note))
    cable.run(10.0)
    assert [m.note for _, m in cable.of(NoteOff)] == list(range(128))
    assert [m.note for _, m in cable.of(NoteOn)] == list(range(128))


def test_a_bend_range_is_whole_and_in_order_on_a_full_cable():
    """Requirement B3: parameter numbers mean something only together."""
    cable = Cable(bytes_per_second=DIN_BYTES_PER_SECOND)
    for step in range(50):
        cable.put(1.0, ControlChange(0, 74, step), PitchBend(1, step))
    wanted = [m for channel in range(4) for m in bend_range_messages(channel, 12)]
    cable.put(1.0, *wanted)
    cable.run(10.0)
    ranges = [m for _, m in cable.of(ControlChange) if m.controller != 74]
    assert ranges == wanted
    assert [m.value for _, m in cable.of(ControlChange) if m.controller == 74] == [0, 49]


def test_clock_leaves_at_once_on_a_busy_cable():
    """Requirement B6: notes and clock go first."""
    cable = Cable(bytes_per_second=DIN_BYTES_PER_SECOND)
    cable.put(1.0, *(PitchBend(channel, 5) for channel in range(16)))
    assert cable.put(1.0, CLOCK)[-1] == CLOCK


# ---------------------------------------------------------------- losses (N11)


def test_a_note_off_that_waited_when_the_output_went_is_sent_when_it_is_back():
    """Requirement N11: 62 has left, and its note-off waits behind a bend that settles."""
    cable = Cable(settle_s=0.005, overlap="legato")
    cable.put(1.0, NoteOn(0, 60, 9))
    cable.put(2.0, NoteOff(0, 60), PitchBend(0, 5), NoteOn(0, 62, 9))
    cable.put(2.001, PitchBend(0, 9), NoteOn(0, 64, 9), NoteOff(0, 62))
    cable.put(2.007, LINK_LOST)
    assert [m for _, m in cable.sent] == [
        NoteOn(0, 60, 9),
        NoteOff(0, 60),
        PitchBend(0, 5),
        NoteOn(0, 62, 9),
        PitchBend(0, 9),
    ]
    assert cable.put(4.0, LINK_CUT, PitchBend(0, 9)) == [NoteOff(0, 62), PitchBend(0, 9)]
    assert cable.put(5.0, LINK_CUT) == []  # owed once


def test_a_strike_that_waited_when_the_output_went_never_sounds():
    """Requirement N11: no old note is struck anew, and what never left needs no note-off."""
    cable = Cable(gate_gap_s=0.003)
    cable.put(1.0, NoteOn(0, 60, 9))
    cable.put(2.0, NoteOff(0, 60), NoteOn(0, 62, 9))
    cable.put(2.001, NoteOff(0, 62))
    cable.put(2.002, LINK_LOST)
    cable.run(4.0)
    assert cable.put(4.0, LINK_CUT) == []
    assert [m for _, m in cable.sent] == [NoteOn(0, 60, 9), NoteOff(0, 60)]
