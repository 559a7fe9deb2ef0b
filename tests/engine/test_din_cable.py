"""Eight voices under wheel and drifting detune into a MIDI cable of 31,250 baud (requirement B6).

Virtual time: nothing here is measured by a clock. A byte on the cable takes ten bits of 31,250 a
second, 320 us (MIDI 1.0 Detailed Specification, Hardware). The cable's end keeps what it is
handed in order, as a serial port does, and its queue shows when the wire hands over too much.
"""

from __future__ import annotations

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine.commands import ChangeVoice, OutputBack
from zerobeat.engine.engine import Engine
from zerobeat.engine.settings import Converter, Input, Output, Rig, Scene, Voice, VoiceSettings
from zerobeat.engine.wire import Wire
from zerobeat.midi import ControlChange, NoteOn, PitchBend, parse

BYTE_S = 10 / 31_250
VOICES = 8
LATE_S = 0.001
NAMES = tuple(f"v{number}" for number in range(1, VOICES + 1))


class Cable:
    """Engine, wire and the far end of a cable."""

    def __init__(self, bytes_per_second: int | None = 3125) -> None:
        converter = Converter("octo", gate_gap_s=0.0, bytes_per_second=bytes_per_second)
        rig = Rig(
            (Input("keys", "Stage Keys:Stage Keys MIDI 1"),),
            (Output("octo", "octo:octo MIDI 1", converter=converter),),
            tuple(Voice(name, "octo", channel) for channel, name in enumerate(NAMES)),
        )
        settings = VoiceSettings(detune_beats_hz=0.3, wheel="smooth")
        self.engine = Engine(rig, (Scene("all", "none", voices=dict.fromkeys(NAMES, settings)),))
        self.wire = Wire(rig.outputs)
        self.now_s = 0.0
        self.free_s = 0.0
        self.heard: list[tuple[float, bytes]] = []  # when the last byte of each has come
        self.worst_queue_s = 0.0
        self.tell(OutputBack("octo"))
        self.until(1.0)
        self.worst_queue_s = 0.0  # the bend ranges went out at once

    def tell(self, message) -> None:
        outputs = []
        self.engine.receive(message, "keys", self.now_s, outputs)
        self.wire.put(outputs, self.now_s)
        self.take()

    def play(self, text: str) -> None:
        self.tell(parse(bytes.fromhex(text)))

    def take(self) -> None:
        for _, content in self.wire.take(self.now_s):
            self.worst_queue_s = max(self.worst_queue_s, self.free_s - self.now_s)
            self.free_s = max(self.now_s, self.free_s) + len(content) * BYTE_S
            self.heard.append((self.free_s, content))

    def until(self, end_s: float) -> None:
        """Let time pass, with a turn whenever the wire or the engine asks for one."""
        while True:
            moments = [m for m in (self.wire.wake_at_s, self.engine.wake_at_s) if m is not None]
            moment = min([*moments, end_s])
            self.now_s = max(self.now_s, min(moment, end_s))
            outputs = []
            if self.engine.wake_at_s is not None and self.engine.wake_at_s <= self.now_s:
                self.engine.wake(self.now_s, outputs)
            self.wire.put(outputs, self.now_s)
            self.take()
            if moment >= end_s:
                return


def song(cable: Cable, notes: int = 200) -> list[tuple[float, float, int]]:
    """Play; return for each key when it went down, when its last note-on came, and its bytes."""
    groups = []
    wheel = step = 0
    for number in range(notes):
        key = 48 + number * 7 % 24
        start_s, before = cable.now_s, len(cable.heard)
        cable.play(f"90{key:02x}64")
        for _ in range(40):  # 80 ms: the wheel moves every 2 ms, the detune every 10
            wheel = (wheel + 331) % 16384
            cable.play(f"e0{wheel & 127:02x}{wheel >> 7:02x}")
            step += 1
            if step % 5 == 0:
                cents = step % 37 / 10.0
                cable.tell(ChangeVoice(NAMES[step % VOICES], (("detune_cents", cents),)))
            cable.until(cable.now_s + 0.002)
        made = cable.heard[before:]
        last = max(k for k, (_, c) in enumerate(made) if c[0] & 0xF0 == 0x90)
        ons = [c for _, c in made if c[0] & 0xF0 == 0x90]
        assert len(ons) == VOICES, f"key {number}: {len(ons)} note-ons"
        # Its own length: for each voice a bend and a note-on.
        groups.append((start_s, made[last][0], VOICES * 6))
        cable.play(f"80{key:02x}40")
        cable.until(cable.now_s + 0.04)
    cable.until(cable.now_s + 1.0)
    return groups


def lateness_s(groups) -> float:
    return max(heard_s - start_s - size * BYTE_S for start_s, heard_s, size in groups)


def test_no_note_group_is_later_than_one_millisecond_beyond_its_own_length():
    cable = Cable()
    groups = song(cable)
    assert lateness_s(groups) <= LATE_S
    assert cable.worst_queue_s <= VOICES * 6 * BYTE_S + LATE_S
    heard = [content for _, content in cable.heard]
    for channel in range(VOICES):
        ons = [c[1] for c in heard if c[0] == 0x90 | channel]
        offs = [c[1] for c in heard if c[0] == 0x80 | channel]
        assert ons == offs and len(ons) == 200  # nothing lost


def test_the_bend_that_stands_at_the_end_is_the_newest():
    cable, direct = Cable(), Cable(bytes_per_second=None)
    song(cable, 5)
    song(direct, 5)
    last = [{c[0]: c for _, c in one.heard if c[0] & 0xF0 == 0xE0} for one in (cable, direct)]
    assert last[0] == last[1]
    assert len(cable.heard) < len(direct.heard)  # the others were thinned


def test_without_a_budget_the_same_song_comes_late():
    """So the test above can fail: the bytes that are not thinned don't fit the cable."""
    assert lateness_s(song(Cable(bytes_per_second=None), 20)) > 10 * LATE_S


def test_a_bend_that_waits_for_a_passed_note_goes_before_it():
    """It belongs to the note, though it came as an event of its own."""
    converter = Converter(bytes_per_second=3125)
    case = EngineHarness(small_rig(1, converter=converter, pass_channels=(9,)))
    for number in range(20):  # the cable is busy
        case.hear(ControlChange(9, 100, number), "keys", 0.0)
    case.hear(PitchBend(9, 1000), "keys", 0.0)
    case.hear(NoteOn(9, 40, 100), "keys", 0.0)
    case.drain()
    sent = [m for m in case.heard(channel=9) if not isinstance(m, ControlChange)]
    assert sent == [PitchBend(9, 1000), NoteOn(9, 40, 100)]
