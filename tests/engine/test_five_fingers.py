"""Five fingers at random on an MPE keyboard, against a model of the sum of their bends.

The model knows RP-053 and nothing of the engine: zones, ranges, fingers, pedals, and for each
note what it must sound. It hears what leaves for the converter.

``--slow`` plays a million random steps more, ``--slow --steps 50000`` so many.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine.mpe_zones import MpeSettings
from zerobeat.engine.settings import Converter, Input, Scene, Voice, Zone
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend

FINGERS = 5
VOICES = 15  # as many as can sound at once, so that none is stolen
RANGE_CENTS = 9600.0
STEP_CENTS = RANGE_CENTS / 8192.0
CHANNELS = (0, 1, 2, 3, 4, 5, 14, 15)


def share(bend):
    """RP-053, appendix C: full up is the whole range."""
    return bend / 8191.0 if bend > 0 else bend / 8192.0


@dataclass
class Sounding:
    """One note of the model, on a channel of the converter."""

    channel: int
    key: int
    voice: int
    shift: float  # taken from its finger's place; the whole of it once the finger is up
    up: bool = False


@dataclass
class FingerModel:
    centred: bool
    lower: int
    upper: int
    bends: dict[int, int] = field(default_factory=dict)
    member: dict[int, float] = field(default_factory=lambda: {0: 4800.0, 15: 4800.0})
    manager: dict[int, float] = field(default_factory=lambda: {0: 200.0, 15: 200.0})
    sustained: set[int] = field(default_factory=set)  # managers, and channels of their own
    notes: list[Sounding] = field(default_factory=list)

    def zone(self, channel):
        if self.lower and channel <= self.lower:
            return 0
        if self.upper and channel >= 15 - self.upper:
            return 15
        return None

    def finger(self, channel):
        zone = self.zone(channel)
        if zone is None or channel == zone:
            return 0.0
        return share(self.bends.get(channel, 0)) * self.member[zone]

    def wheel(self, channel):
        zone = self.zone(channel)
        if zone is None:
            return share(self.bends.get(channel, 0)) * 200.0
        return share(self.bends.get(zone, 0)) * self.manager[zone]

    def cents(self, note):
        finger = 0.0 if note.up else self.finger(note.channel)
        bend = finger + note.shift + self.wheel(note.channel)
        return 100.0 * note.key + bend

    def pedal(self, channel):
        zone = self.zone(channel)
        return channel if zone is None else zone


class Fingers(RuleBasedStateMachine):
    """Presses, slides, pedals, ranges and zones, in any order."""

    @initialize(centred=st.booleans(), zones=st.sampled_from(((15, 0), (5, 2), (0, 2), (3, 0))))
    def begin(self, centred, zones):
        touch = "centred" if centred else "as_played"
        source = Input("grid", "Finger Grid:1", mpe=MpeSettings(*zones, touch=touch))
        converter = Converter(bend_range_cents=RANGE_CENTS, gate_gap_s=0.0)
        names = [f"v{i}" for i in range(VOICES)]
        voices = [Voice(n, "out", i, bend_range_cents=RANGE_CENTS) for i, n in enumerate(names)]
        rig = small_rig(voices, converter=converter, inputs=(source,))
        self.case = EngineHarness(rig, (Scene(zones=(Zone(tuple(names), "rotate"),)),))
        self.model = FingerModel(centred, *zones)
        self.note = [None] * VOICES
        self.bend = [0] * VOICES
        self.heard = len(self.case.sent)

    def play(self, message):
        """Play one message; return the voices that were struck."""
        self.case.hear(message, "grid", 0.001)
        struck = []
        for _, _, out in self.case.sent[self.heard :]:
            if isinstance(out, PitchBend):
                self.bend[out.channel] = out.bend
            elif isinstance(out, NoteOn):
                self.note[out.channel] = out.note
                struck.append(out.channel)
            elif isinstance(out, NoteOff):
                self.note[out.channel] = None
        self.heard = len(self.case.sent)
        return struck

    def check(self):
        """Each note of the model sounds on its voice, at its pitch, and nothing else does."""
        model = self.model
        assert {n.voice for n in model.notes} == {
            v for v, n in enumerate(self.note) if n is not None
        }
        for note in model.notes:
            sent = 100.0 * self.note[note.voice] + self.bend[note.voice] * STEP_CENTS
            wanted = model.cents(note)
            beyond = abs(wanted - 100.0 * self.note[note.voice]) > RANGE_CENTS - STEP_CENTS
            assert beyond or abs(sent - wanted) <= 0.5001 * STEP_CENTS, (note, sent, wanted)

    @rule(channel=st.sampled_from(CHANNELS), key=st.integers(48, 71))
    def press(self, channel, key):
        model = self.model
        down = [note for note in model.notes if not note.up]
        if len(down) >= FINGERS or any((n.channel, n.key) == (channel, key) for n in down):
            return
        in_zone = model.zone(channel) is not None
        shift = -model.finger(channel) if model.centred and in_zone else 0.0
        struck = self.play(NoteOn(channel, key, 100))
        assert len(struck) == 1
        model.notes = [note for note in model.notes if note.voice != struck[0]]
        model.notes.append(Sounding(channel, key, struck[0], shift))
        self.check()

    @rule(which=st.integers(0, FINGERS - 1))
    def lift(self, which):
        model = self.model
        down = [note for note in model.notes if not note.up]
        if which >= len(down):
            return
        note = down[which]
        kept = model.pedal(note.channel) in model.sustained
        self.play(NoteOff(note.channel, note.key))
        if kept:
            note.shift += model.finger(note.channel)
            note.up = True
        else:
            model.notes.remove(note)
        self.check()

    @rule(channel=st.sampled_from(CHANNELS), bend=st.integers(-8192, 8191))
    def slide(self, channel, bend):
        self.model.bends[channel] = bend
        self.play(PitchBend(channel, bend))
        self.check()

    @rule(channel=st.sampled_from(CHANNELS), down=st.booleans())
    def sustain(self, channel, down):
        model = self.model
        self.play(ControlChange(channel, 64, 127 if down else 0))
        zone = model.zone(channel)
        if zone in (None, channel):  # a finger has no pedal
            pedal = model.pedal(channel)
            (model.sustained.add if down else model.sustained.discard)(pedal)
            if not down:
                gone = [n for n in model.notes if n.up and model.pedal(n.channel) == pedal]
                model.notes = [note for note in model.notes if note not in gone]
        self.check()

    @rule(channel=st.sampled_from(CHANNELS), semitones=st.sampled_from((0, 1, 2, 12, 48, 96, 97)))
    def set_range(self, channel, semitones):
        model = self.model
        for controller, value in ((101, 0), (100, 0), (6, semitones)):
            self.play(ControlChange(channel, controller, value))
        zone = model.zone(channel)
        if zone is not None and semitones <= 96:
            (model.manager if channel == zone else model.member)[zone] = 100.0 * semitones
        self.check()

    @rule(manager=st.sampled_from((0, 15, 3)), members=st.sampled_from((0, 2, 5, 13, 15)))
    def configure(self, manager, members):
        model = self.model
        for controller, value in ((101, 0), (100, 6), (6, members)):
            self.play(ControlChange(manager, controller, value))
        if manager == 3:
            self.check()
            return
        before = (model.lower, model.upper)
        roles = {channel: model.zone(channel) for channel in range(16)}
        if manager == 0:
            model.lower, model.upper = members, min(model.upper, max(0, 14 - members))
        else:
            model.lower, model.upper = min(model.lower, max(0, 14 - members)), members
        model.member[manager], model.manager[manager] = 4800.0, 200.0
        changed = {
            z for z, a, b in zip((0, 15), before, (model.lower, model.upper), strict=True) if a != b
        }
        stopped = {c for c in range(16) if {roles[c], model.zone(c)} & changed}
        model.notes = [note for note in model.notes if note.channel not in stopped]
        model.sustained -= stopped
        for channel in stopped:
            model.bends.pop(channel, None)
        self.check()


TestFingers = Fingers.TestCase
TestFingers.settings = settings(
    max_examples=40,
    stateful_step_count=40,
    deadline=None,
    derandomize=True,
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)
LOT = 500


def play_at_random(steps, seed):
    """Play by a seeded generator: no shrinking, but many more steps in the same time."""
    dice = random.Random(seed)
    for _ in range(max(1, steps // LOT)):
        fingers = Fingers()
        zones = dice.choice(((15, 0), (5, 2), (0, 2), (3, 0)))
        fingers.begin(centred=dice.random() < 0.5, zones=zones)
        for _ in range(LOT):
            chance, channel = dice.random(), dice.choice(CHANNELS)
            if chance < 0.3:
                fingers.press(channel=channel, key=dice.randint(48, 71))
            elif chance < 0.5:
                fingers.lift(which=dice.randrange(FINGERS))
            elif chance < 0.9:
                fingers.slide(channel=channel, bend=dice.randint(-8192, 8191))
            elif chance < 0.94:
                fingers.sustain(channel=channel, down=dice.random() < 0.4)
            elif chance < 0.98:
                fingers.set_range(channel=channel, semitones=dice.choice((0, 2, 12, 48, 96, 97)))
            else:
                fingers.configure(manager=dice.choice((0, 15)), members=dice.choice((0, 2, 5, 15)))


def test_an_evening_of_five_fingers():
    play_at_random(16 * LOT, seed=4)


@pytest.mark.slow
def test_a_million_random_steps_of_five_fingers(request):
    play_at_random(request.config.getoption("--steps") or 1_000_000, seed=3)
