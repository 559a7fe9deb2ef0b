"""The invariants of the design, under any order of playing.

1. Each note-on that leaves gets exactly one note-off, same channel and number.
2. A bend goes out before the note-on that it belongs to, and is the bend the chain asks for.
3. Same settings, events and times give the same bytes.
4. A changed setting lands exactly when its hold says.

A client that measures may take voices at any time; a key takes them back.

``kit.invariant_checker`` checks them with every message. ``--slow`` plays a million random
steps more, ``--slow --steps 50000`` so many.
"""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from kit.invariant_checker import (
    BEAT,
    CURVE,
    DRUMS,
    LONGEST_SCRIPT,
    NAMES,
    PAD_NOTE,
    RIGS,
    SCENES,
    InvariantChecker,
    replay,
)
from zerobeat import midi
from zerobeat.engine import commands
from zerobeat.engine.settings import TouchUp, Trigger
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend
from zerobeat.tuning.scale import preset

CHANGES = (
    ("detune_cents", -30.0),
    ("detune_cents", 0.0),
    ("semitones", 5),
    ("semitones", 0),
    ("octaves", 4),
    ("octaves", 0),
    ("legato", True),
    ("legato", False),
    ("wheel", "stepped"),
    ("wheel", "smooth"),
    ("priority", "lowest"),
    ("priority", "last"),
    ("scale", preset("blues")),
    ("scale", None),
    ("hold", "trigger"),
    ("hold", "none"),
    ("hold", None),
    ("hold", "sample"),
    ("root", 62),
)
SOURCES = (("keys", 0), ("keys", 1), ("steps", 0), ("keys", DRUMS), ("steps", DRUMS))


class Playing(RuleBasedStateMachine):
    """Two keyboards, two converters, five voices, and everything a player may do."""

    def __init__(self) -> None:
        super().__init__()
        self.stage = InvariantChecker()
        self.first_rig = self.stage.rig
        self.ticked_s = 0.0

    def play(self, message: Any, source: str = "", after_s: float = 0.0) -> None:
        self.stage.play(message, source, after_s)

    @rule(place=st.sampled_from(SOURCES), key=st.integers(57, 63), wait=st.sampled_from((0, 1, 9)))
    def press(self, place, key, wait):
        self.play(NoteOn(place[1], key, 100), place[0], wait / 1000.0)

    @rule(place=st.sampled_from(SOURCES), key=st.sampled_from((0, 21, 36, 84, 108, 127)))
    def press_far_out(self, place, key):
        self.play(NoteOn(place[1], key, 64), place[0])

    @rule(place=st.sampled_from(SOURCES), key=st.integers(57, 63), wait=st.sampled_from((0, 1, 9)))
    def release(self, place, key, wait):
        self.play(NoteOff(place[1], key), place[0], wait / 1000.0)

    @rule(place=st.sampled_from(SOURCES), bend=st.sampled_from((-8192, -700, 0, 1, 3000, 8191)))
    def wheel(self, place, bend):
        self.play(PitchBend(place[1], bend), place[0], 0.001)

    @rule(
        place=st.sampled_from(SOURCES),
        controller=st.sampled_from((64, 64, 64, 120, 121, 123, 1, 74, 6, 101)),
        value=st.sampled_from((0, 127)),
    )
    def controller(self, place, controller, value):
        self.play(ControlChange(place[1], controller, value), place[0])

    @rule(place=st.sampled_from(SOURCES))
    def pressure(self, place):
        self.play(midi.ChannelPressure(place[1], 50), place[0])

    @rule(name=st.sampled_from(tuple(scene.name for scene in SCENES)))
    def recall(self, name):
        self.play(commands.RecallScene(name))

    @rule(name=st.sampled_from((None, *NAMES)), change=st.sampled_from(CHANGES))
    def change(self, name, change):
        if name is None or name in self.stage.engine.states:
            self.play(commands.ChangeVoice(name, (change,)))

    @rule(hold=st.sampled_from(("none", "note", "trigger", "sample")))
    def change_hold(self, hold):
        self.play(commands.ChangeScene((("hold", hold),)))

    @rule(
        triggers=st.sampled_from(((), (BEAT,), (Trigger("key"), BEAT), (PAD_NOTE,))),
        regate=st.booleans(),
    )
    def change_triggers(self, triggers, regate):
        self.play(commands.ChangeScene((("triggers", triggers), ("regate", regate))))

    @rule(ticks=st.sampled_from((1, 2, 13, 25)), gap_s=st.sampled_from((0.02, 0.02, 0.01)))
    def clock(self, ticks, gap_s):
        """Ticks in time, whatever was played since the last."""
        for _ in range(ticks):
            self.ticked_s = max(self.stage.now_s, self.ticked_s + gap_s)
            self.play(midi.CLOCK, "steps", self.ticked_s - self.stage.now_s)

    @rule(
        message=st.sampled_from(
            (midi.START, midi.START, midi.STOP, midi.CONTINUE, midi.SongPosition(3))
        )
    )
    def transport(self, message):
        self.play(message, "steps")

    @rule(key=st.sampled_from((40, 41)))
    def pad(self, key):
        self.play(NoteOn(0, key, 100), "pad")
        self.play(NoteOff(0, key), "pad")

    @rule(on=st.booleans(), name=st.sampled_from((None, *NAMES)))
    def root_key(self, on, name):
        if name is None or name in self.stage.engine.states:
            self.play(commands.RootKey(on, name))

    @rule(scene=st.sampled_from(range(len(SCENES))))
    def change_zones(self, scene):
        self.play(commands.ChangeScene((("zones", SCENES[scene].zones),)))

    @rule(concert=st.sampled_from((440.0, 442.0, 415.0)), semitones=st.sampled_from((0, -2)))
    def tonight(self, concert, semitones):
        self.play(commands.ChangeTonight(concert, semitones))

    @rule(name=st.sampled_from(NAMES), cents=st.sampled_from((0.0, 4.0)))
    def touch_up(self, name, cents):
        if name in self.stage.engine.states:
            self.play(commands.SetTouchUp(name, TouchUp(cents, 0.5)))

    @rule(
        name=st.sampled_from(NAMES),
        kind=st.sampled_from((commands.Bypass, commands.Mute, commands.Solo)),
        on=st.booleans(),
    )
    def over_all(self, name, kind, on):
        if name in self.stage.engine.states:
            self.play(kind(name, on))

    @rule()
    def trigger(self):
        self.play(commands.TriggerNow())

    @rule()
    def cancel(self):
        self.play(commands.CancelWaiting())

    @rule(name=st.sampled_from((None, *(scene.name for scene in SCENES))))
    def store(self, name):
        """A store acts on no voice; one of a scene that waits is refused."""
        engine = self.stage.engine
        live = engine.live
        waiting = live.waiting_scene
        if waiting is not None and waiting.name != live.scene.name:
            with pytest.raises(CommandError, match=f"scene {waiting.name} waits"):
                engine.persistence.to_store(name or live.scene.name)
            return
        scene = engine.persistence.to_store(name or live.scene.name)
        self.play(commands.SceneStored(scene, live.scene.name))
        assert live.bank[scene.name] == scene
        assert not live.unsaved

    @rule()
    def revert(self):
        self.play(commands.Revert())
        live = self.stage.engine.live
        assert not live.unsaved

    @rule(name=st.sampled_from(NAMES), curve=st.sampled_from((None, CURVE)))
    def use_profile(self, name, curve):
        if name in self.stage.engine.states:
            self.play(commands.UseProfile(name, curve))

    @rule()
    def panic(self):
        self.play(commands.Panic())

    @rule(
        name=st.sampled_from(NAMES),
        note=st.integers(59, 61),
        cents=st.sampled_from((0.0, -40.0, 200.0)),
        strike=st.booleans(),
    )
    def measure_raw(self, name, note, cents, strike):
        self.measure(commands.PlayRaw(name, note, cents, strike=strike))

    @rule(name=st.sampled_from(NAMES), pitch=st.sampled_from((5950.0, 6000.0)))
    def measure_corrected(self, name, pitch):
        self.measure(commands.PlayPitch(name, pitch))

    @rule(name=st.sampled_from((None, *NAMES)))
    def end_measuring(self, name):
        if name is None or name in self.stage.engine.states:
            self.play(commands.ReleaseVoice(name))

    def measure(self, command):
        """A run begins only where no key is held, and takes no voice of a lost output."""
        engine = self.stage.engine
        state = engine.states.get(command.voice)
        held = any(other.held for other in engine.states.values())
        if state is None or not state.lane.up or (held and not engine.measuring.running):
            with pytest.raises(CommandError):
                engine.receive(command, "", self.stage.now_s, outputs := [])
            assert not outputs
        else:
            self.play(command)
            assert command.voice in engine.measuring.taken

    @rule(name=st.sampled_from(("keys", "steps")))
    def lose_source(self, name):
        self.play(commands.SourceLost(name))

    @rule(name=st.sampled_from(("quad", "octo")))
    def lose_output(self, name):
        if name in self.stage.engine.ports.present:
            self.play(commands.OutputLost(name))

    @rule(name=st.sampled_from(("quad", "octo")))
    def return_output(self, name):
        if any(output.name == name for output in self.stage.rig.outputs):
            self.play(commands.OutputBack(name))

    @rule(rig=st.sampled_from(range(len(RIGS))))
    def reload(self, rig):
        self.play(commands.Reload(RIGS[rig], SCENES))

    @rule(seconds=st.sampled_from((0.002, 0.02, 0.2)))
    def wait(self, seconds):
        self.stage.pass_time(seconds)

    @invariant()
    def every_gate_has_a_key(self):
        taken = self.stage.engine.measuring.taken
        for state in self.stage.engine.states.values():
            if state.voice.name in taken:
                assert not state.held, "a key is held while a run goes on"
            elif not state.held:
                assert not state.lane.notes or not state.lane.up, f"{state.voice.name} hangs"
            else:
                assert state.playing in state.held, f"{state.voice.name} lost its key"

    @invariant()
    def every_held_key_is_down_or_sustained(self):
        engine = self.stage.engine
        for state in engine.states.values():
            for held in state.held:
                if held.down:
                    assert (held.source, held.key) in engine.keyboard.keys
                else:
                    assert held.source in engine.keyboard.sustained

    def teardown(self):
        stage = self.stage
        ours = tuple(stage.raw)
        end_s = stage.now_s
        stage.finish()
        again = replay(stage.script, self.first_rig, end_s)
        assert tuple(again[: len(ours)]) == ours, "the same again sounds different"
        assert len(stage.script) == LONGEST_SCRIPT or len(again) == len(ours)


TestPlaying = Playing.TestCase
TestPlaying.settings = settings(
    max_examples=300,
    stateful_step_count=60,
    deadline=None,
    derandomize=True,
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)


class Dice:
    """Draws from the strategies above by a seeded generator: no shrinking, but a million steps."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def step(self, machine: Playing) -> None:
        dice = self._random
        place = dice.choice(SOURCES)
        key = dice.randrange(57, 64)
        wait = dice.choice((0, 1, 9))
        name = dice.choice(NAMES)
        chance = dice.random()
        if chance < 0.32:
            machine.press(place, key, wait)
        elif chance < 0.60:
            machine.release(place, key, wait)
        elif chance < 0.70:
            machine.wheel(place, dice.choice((-8192, -700, 0, 1, 3000, 8191)))
        elif chance < 0.78:
            controller = dice.choice((64, 64, 64, 120, 121, 123, 1, 74, 6, 101))
            machine.controller(place, controller, dice.choice((0, 127)))
        elif chance < 0.83:
            machine.recall(dice.choice(SCENES).name)
        elif chance < 0.88:
            machine.change(dice.choice((None, name)), dice.choice(CHANGES))
        elif chance < 0.885:
            machine.wait(dice.choice((0.002, 0.02, 0.2)))
        elif chance < 0.91:
            machine.clock(dice.choice((1, 2, 13, 25)), dice.choice((0.02, 0.02, 0.01)))
        else:
            self._seldom(machine, place, name)

    def _seldom(self, machine: Playing, place: tuple[str, int], name: str) -> None:
        dice = self._random
        output = dice.choice(("quad", "octo"))
        dice.choice(
            (
                lambda: machine.press_far_out(place, dice.choice((0, 21, 36, 84, 108, 127))),
                lambda: machine.pressure(place),
                lambda: machine.change_hold(dice.choice(("none", "note", "trigger", "sample"))),
                lambda: machine.change_triggers(
                    dice.choice(((), (BEAT,), (Trigger("key"), BEAT), (PAD_NOTE,))),
                    dice.random() < 0.5,
                ),
                lambda: machine.transport(
                    dice.choice(
                        (midi.START, midi.START, midi.STOP, midi.CONTINUE, midi.SongPosition(3))
                    )
                ),
                lambda: machine.pad(dice.choice((40, 41))),
                lambda: machine.root_key(dice.random() < 0.4, dice.choice((None, name))),
                lambda: machine.root_key(False, None),
                lambda: machine.change_zones(dice.randrange(len(SCENES))),
                lambda: machine.tonight(dice.choice((440.0, 442.0)), dice.choice((0, -2))),
                lambda: machine.touch_up(name, dice.choice((0.0, 4.0))),
                lambda: machine.over_all(name, commands.Bypass, dice.random() < 0.5),
                lambda: machine.over_all(name, commands.Mute, dice.random() < 0.3),
                lambda: machine.over_all(name, commands.Solo, dice.random() < 0.3),
                machine.trigger,
                machine.cancel,
                lambda: machine.store(dice.choice((None, dice.choice(SCENES).name))),
                machine.revert,
                lambda: machine.use_profile(name, dice.choice((None, CURVE))),
                machine.panic,
                lambda: machine.lose_source(dice.choice(("keys", "steps"))),
                lambda: machine.lose_output(output),
                lambda: machine.return_output(output),
                lambda: machine.return_output(output),
                lambda: machine.reload(dice.randrange(len(RIGS))),
                lambda: machine.measure_raw(
                    name, dice.randrange(59, 62), -40.0, dice.random() < 0.3
                ),
                lambda: machine.measure_corrected(name, 6000.0),
                lambda: machine.end_measuring(dice.choice((None, name))),
            )
        )()


LOT = 2000  # steps of one evening of the soak


def soak(steps: int, seed: int) -> None:
    dice = Dice(seed)
    for _ in range(max(1, steps // LOT)):
        machine = Playing()
        for _ in range(LOT):
            dice.step(machine)
            machine.every_gate_has_a_key()
            machine.every_held_key_is_down_or_sustained()
        machine.teardown()


def test_an_evening_of_random_playing_keeps_every_invariant():
    soak(25 * LOT, seed=1)


@pytest.mark.slow
def test_a_million_random_steps_keep_every_invariant(request):
    steps = request.config.getoption("--steps") or 1_000_000
    soak(steps, seed=2)
