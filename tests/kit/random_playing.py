"""Random playing through engine and wire, whose bytes ``ByteChecker`` hears.

All that a stage may bring: keys, wheels, pedals of every kind, passed-through channels, clock,
lost cables, refused commands, measuring, learning, and reloads that move and remove voices,
inputs, bindings and converters. Time is counted, never waited for.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from operator import is_not
from typing import Any

from kit.byte_checker import ByteChecker, CableHeard, CheckFailed
from kit.tuning_messages import bulk
from zerobeat.engine import commands
from zerobeat.engine.engine import Engine
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.pedals.bindings import Binding, Learned, Pedalboard
from zerobeat.engine.settings import (
    Converter,
    ExtraRoute,
    ExtraSocket,
    Input,
    Output,
    Rig,
    Scene,
    TouchUp,
    Trigger,
    Voice,
    VoiceSettings,
    Zone,
)
from zerobeat.engine.wire import Wire
from zerobeat.errors import CommandError
from zerobeat.midi import (
    ACTIVE_SENSING,
    CLOCK,
    CONTINUE,
    HOLDING_PEDALS,
    START,
    STOP,
    ChannelPressure,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
    ProgramChange,
    SongPosition,
    SysEx,
)
from zerobeat.tuning.scale import equal_division, preset

DRUMS = 9
QUAD = Converter("quad", 200.0, overlap="legato", gate_gap_s=0.003)
OCTO = Converter("octo", 1200.0, settle_s=0.002, gate_gap_s=0.005, bytes_per_second=3125)
SLOW = Converter("slow", 200.0, settle_s=0.06, gate_gap_s=0.04, overlap="legato")
INPUTS = (
    Input("keys", "Stage Keys:1"),
    Input("steps", "Step Box:1", wheel_cents=100.0),
    Input("feet", "Four Feet:1", plays=False),
)
EXTRA = (
    ExtraSocket("cutoff", "controller", 12, 20),
    ExtraSocket("level", "pressure", 13),
    ExtraSocket("accent", "note", 14, 36),
)
OUTPUTS = (
    Output("quad", "quad:1", converter=QUAD, pass_channels=(DRUMS,), pass_classes=("controllers",)),
    Output("octo", "octo:1", converter=OCTO, pass_classes=("clock", "transport")),
    Output("slow", "slow:1", converter=SLOW),
)
VOICES = (
    Voice("reed", "quad", 0, tuning_from="steps"),
    Voice("horn", "quad", 1, tail_s=0.05),
    Voice("bass", "octo", 0, 0, 1200.0, 12, 100),
    Voice("floor", "octo", 1, 0, 1200.0, 12, 100, gate_ignored=True),
    Voice("glass", "slow", 0),
    Voice("oboe", "slow", 1, panel_octaves=-1),
)
NAMES = tuple(voice.name for voice in VOICES)
# With the wheel at rest each voice is struck with the bend of its detune, whatever the key.
DETUNES = {"reed": 13.0, "horn": -21.0, "bass": 30.0, "floor": 0.0, "glass": 7.0, "oboe": -40.0}


def _switch(number: int, action: str, **more: Any) -> Binding:
    return Binding("controller", number, action, **more)


BINDINGS = (
    Binding("program", None, "recall", feedback=True),
    _switch(64, "sustain", kind="momentary", feedback=True),
    _switch(80, "next"),
    _switch(80, "panic", long_press_s=0.3),
    _switch(81, "previous", kind="latching", feedback=True),
    _switch(82, "trigger", feedback=True),
    _switch(84, "bypass", kind="toggle", feedback=True),
    _switch(85, "mute", kind="momentary", voice="reed", feedback=True),
    _switch(85, "transpose", kind="momentary", by=7.0, feedback=True),
    _switch(86, "solo", kind="latching", voice="horn", feedback=True),
    _switch(87, "hold", kind="toggle", hold="none", feedback=True),
    _switch(88, "set", kind="momentary", setting="semitones", to=5.0),
    _switch(89, "transpose", kind="toggle", by=2.0, feedback=True),
    _switch(90, "set_root", kind="momentary", voice="glass", feedback=True),
    _switch(91, "set", setting="degrees", by=1.0),
    _switch(92, "sustain", kind="momentary", long_press_s=0.2),
    _switch(93, "revert"),
    _switch(94, "hold", kind="momentary", hold="sample"),
    _switch(95, "latch", kind="momentary", feedback=True),
    Binding("note", 40, "mute", kind="momentary", voice="glass"),
    _switch(11, "set", kind="follow", setting="octaves", lowest=-1.0, highest=1.0),
)
SWITCHES = (64, 80, 81, 82, 84, 85, 86, 87, 88, 89, 90, 91, 92, 93, 94, 95)
TOGGLES = (
    Learned("feet", _switch(70, "sustain", kind="toggle", feedback=True)),
    Learned("feet", _switch(71, "set_root", kind="toggle", feedback=True)),
    Learned("feet", _switch(72, "latch", kind="toggle")),
    Learned("keys", _switch(64, "next")),
    Learned("keys", _switch(66, "next")),
    Learned("keys", Binding("note", 40, "next")),
    Learned("steps", Binding("note", 61, "sustain", kind="momentary")),
)


def _settings(**more: Any) -> dict[str, VoiceSettings]:
    every = {name: VoiceSettings(detune_cents=DETUNES[name], **more) for name in NAMES}
    every["floor"] = replace(every["floor"], start_key=40)
    return every


DORIAN = preset("dorian")
QUARTER_TONES = (("scale", equal_division(24)), ("fit", "keys"), ("legato", True))
SCENES = (
    Scene("together", program=0, hold="none", voices=_settings()),
    Scene(
        "round",
        program=1,
        zones=(Zone(("reed", "horn", "bass"), "rotate"), Zone(("glass", "floor"))),
        voices=_settings(legato=True),
    ),
    Scene(
        "drone",
        program=2,
        hold="trigger",
        triggers=(Trigger("key"), Trigger("remote_note", input="feet", note=40)),
        zones=(Zone(("reed", "floor"), inputs=("steps",)), Zone(NAMES, channels=(0,))),
        voices=_settings(priority="lowest"),
    ),
    Scene(
        "clocked",
        program=3,
        hold="sample",
        regate=True,
        triggers=(Trigger("clock"),),
        voices=_settings(legato=True, scale=DORIAN, root=62),
    ),
)
CHORDS = (
    Zone(("reed", "horn", "bass"), "rotate", chord=(0, 3, 7, 12), latch=True),
    Zone(("glass", "oboe"), "rotate", chord=(0, 2), chord_in="steps", lowest_key=60),
    Zone(("floor",), latch=True),
)
SCENES += (Scene("chords", program=4, hold="note", zones=CHORDS, voices=_settings(scale=DORIAN)),)
ROUTES = (
    ExtraRoute("octo", EXTRA[0], "keys", "wheel", smooth_s=0.2),
    ExtraRoute("octo", EXTRA[1], "feet", "controller", 11),
    ExtraRoute("quad", EXTRA[2], "keys", "velocity"),
)
FEET = Pedalboard("Feet", BINDINGS, relight=True)
WHOLE = Rig(
    INPUTS,
    OUTPUTS,
    VOICES,
    clock_from="steps",
    pedalboards={"feet": FEET},
    start_scene="together",
    extra=ROUTES,
    set_list=("together", "drone", "clocked"),
)
RIGS = (
    WHOLE,
    # Voices move and go, drums pass elsewhere, a binding goes.
    replace(
        WHOLE,
        outputs=(
            replace(OUTPUTS[0], pass_channels=()),
            replace(OUTPUTS[1], pass_channels=(DRUMS,)),
            OUTPUTS[2],
        ),
        voices=(VOICES[0], replace(VOICES[1], channel=5), *VOICES[2:4], VOICES[5]),
        pedalboards={"feet": Pedalboard("Feet", BINDINGS[6:])},
    ),
    # A converter and an input go.
    replace(
        WHOLE,
        outputs=OUTPUTS[:2],
        voices=VOICES[:4],
        inputs=INPUTS[1:],
        pedalboards={},
        extra=ROUTES[:2],
    ),
    # A converter moves to another port, a keyboard listens to one channel, no pedalboard.
    replace(
        WHOLE,
        outputs=(*OUTPUTS[:2], replace(OUTPUTS[2], port="slow:2")),
        inputs=(replace(INPUTS[0], channel=0), *INPUTS[1:]),
        pedalboards={},
    ),
    # The drums' channel of one keyboard is played from now on; another channel passes.
    replace(
        WHOLE, outputs=(replace(OUTPUTS[0], pass_channels=(3,)), *OUTPUTS[1:]), clock_from=None
    ),
)
LONGEST_S = 5.0  # everything that waits in a wire leaves within this
CHECK_EVERY = 150  # steps from one whole check to the next


class BrokenOnPurpose(Exception):
    """Stands for a fault that nobody thought of."""


class RandomPlaying:
    """Plays at random and checks as it goes.

    Args:
        seed: of all that is random.
        record: keep every message that leaves, to compare runs.

    Attributes:
        rigs: that are reloaded in turn; the first one plays at the start.
    """

    rigs: tuple[Rig, ...] = RIGS

    def __init__(self, seed: int, record: bool = False) -> None:
        self._random = random.Random(seed)
        self._record = record
        self.raw: list[tuple[float, str, bytes]] = []
        self.rig = self.rigs[0]
        self.engine = Engine(self.rig, SCENES)
        self.wire = Wire(self.rig.outputs)
        self.checker = ByteChecker()
        self.now_s = 0.0
        self.steps = 0
        self.refused = 0
        self._down: set[tuple[str, int, int]] = set()  # keys
        self._switches: set[tuple[int, int]] = set()  # channel, controller
        self._foot_notes: set[tuple[str, int, int]] = set()
        self._sustains: set[tuple[str, int, int]] = set()  # with the pedal's controller
        self._wheels: set[tuple[str, int]] = set()
        self._measured = False
        self._resting_from_s = 0.0
        self._events = 0
        self._actions: list[tuple[int, Callable[[], None]]] = [
            (40, self._press),
            (40, self._lift),
            (6, self._wheel),
            (8, self._sustain),
            (14, self._switch),
            (3, self._pedal),
            (3, self._foot_note),
            (2, self._program),
            (6, self._drums),
            (8, self._clock),
            (10, self._command),
            (3, self._refused_command),
            (2, self._measure),
            (2, self._lose),
            (1, self._learn),
            (1, self._reload),
            (2, self._mode_message),
            (1, self._other),
            (1, self._tune),
            (4, self._rest),
            (4, self._break),
            (2, self._burst),
        ]
        for output in self.rig.outputs:
            self.checker.cables[output.name] = _cable(output, self.rig)
            self._plug_in(output.name)

    # ------------------------------------------------------------ engine and wire

    def play(self, message: Any, source: str = "", after_s: float = 0.001) -> None:
        """Play one message; its bytes are heard."""
        self.pass_time(after_s)
        outputs: Outputs = []
        try:
            self.engine.receive(message, source, self.now_s, outputs)
        except CommandError:
            if source or outputs:
                raise
            self.refused += 1
        except BrokenOnPurpose:
            self._recover(source, outputs)
        self._put(outputs)

    def _recover(self, source: str, outputs: Outputs) -> None:
        """After a fault, do as the daemon does: send what is there, then release that voice."""
        self.checker.wheels_rest = False
        self._resting_from_s = self.now_s
        self._put(outputs)
        outputs.clear()
        self.engine.recover(source, outputs)

    def _break(self) -> None:
        """Let one call of the player fail, once, within the next key or command."""
        method = self._random.choice(("play", "release", "relocate", "wheel"))
        player = self.engine.player
        whole = getattr(player, method)
        calls = self._random.randint(1, 3)

        def fail(*arguments: Any, **more: Any) -> None:
            nonlocal calls
            calls -= 1
            if calls == 0:
                raise BrokenOnPurpose(method)
            whole(*arguments, **more)

        vars(player)[method] = fail
        try:
            self._random.choice((self._press, self._lift, self._wheel, self._sustain))()
        finally:
            del vars(player)[method]
        if self._random.random() < 0.5:
            self.everything_up()  # before another key mends it

    def _put(self, outputs: Outputs) -> None:
        self._take()  # what fell due at this very moment, before what follows from the event
        self._events += 1
        self.checker.event = self._events
        self.wire.put(outputs, self.now_s)
        self._take()
        self.checker.event_done()

    def _take(self) -> None:
        for name, content in self.wire.take(self.now_s):
            if self._record:
                self.raw.append((self.now_s, name, content))
            self.checker.hear(self.now_s, name, content)

    def pass_time(self, seconds: float) -> None:
        """Let time go on; what falls due in wire and engine leaves at its own moment."""
        end_s = self.now_s + seconds
        while True:
            wire_s, engine_s = self.wire.wake_at_s, self.engine.wake_at_s
            soonest = min(wire_s or math.inf, engine_s or math.inf) if wire_s or engine_s else None
            if soonest is None or soonest >= end_s:
                break
            self.now_s = max(self.now_s, soonest)
            if engine_s is not None and engine_s <= self.now_s:
                outputs: Outputs = []
                try:
                    self.engine.wake(self.now_s, outputs)
                except BrokenOnPurpose:
                    self._recover("", outputs)
                self.wire.put(outputs, self.now_s)
            self._take()
        self.now_s = end_s

    def drain(self) -> None:
        """Let everything leave that waits."""
        end_s = self.now_s + LONGEST_S
        while (at_s := self.wire.wake_at_s) is not None:
            if at_s > end_s:
                raise CheckFailed("the wire asks for ever more time")
            self.now_s = max(self.now_s, at_s)
            self._take()

    def _plug_in(self, name: str) -> None:
        self.pass_time(0.001)
        self.checker.back(name)
        self.play(commands.OutputBack(name), after_s=0.0)
        self.checker.back_done(name)

    # ------------------------------------------------------------ playing

    def run(self, steps: int) -> None:
        """Play so many random steps, and check the whole now and then."""
        weights = [weight for weight, _ in self._actions]
        actions = [action for _, action in self._actions]
        for action in self._random.choices(actions, weights, k=steps):
            self.steps += 1
            self._look_at_wheels()
            action()
            self.engine.pedals.lights.due.clear()
            self.engine.pedals.requests.clear()
            if self.steps % CHECK_EVERY == 0:
                self._random.choice((self.everything_up, self.panic))()
        self.everything_up()
        self.panic()

    def _look_at_wheels(self) -> None:
        """Strikes are exact once the wheels rest and what was struck before has left."""
        if self._wheels or self._measured or not self.checker.wheels_rest:
            moving = bool(self._wheels) or self._measured
            self._resting_from_s = math.inf if moving else min(self._resting_from_s, self.now_s)
        self.checker.wheels_rest = self.now_s - self._resting_from_s > 1.0

    def _keyboard(self) -> tuple[str, int]:
        return self._random.choice((("keys", 0), ("keys", 0), ("keys", 3), ("steps", 0)))

    def _soon(self) -> float:
        return self._random.choice((0.0002, 0.001, 0.004, 0.02))

    def _press(self) -> None:
        source, channel = self._keyboard()
        key = self._random.randint(36, 84) if self._random.random() < 0.5 else 60
        self._down.add((source, channel, key))
        self.play(NoteOn(channel, key, self._random.randint(1, 127)), source, self._soon())

    def _burst(self) -> None:
        """Keys faster than gaps and settling allow, sometimes legato."""
        if self._random.random() < 0.5:
            self.play(commands.ChangeVoice(None, (("legato", True),)))
            self.play(NoteOn(0, 50, 90), "steps")
            self.play(NoteOn(0, 55, 90), "steps")
            self._down |= {("steps", 0, 50), ("steps", 0, 55)}
            return
        for _ in range(self._random.randint(3, 8)):
            self._press()
            if self._random.random() < 0.5:
                self._lift()

    def _lift(self) -> None:
        if self._down:
            source, channel, key = place = self._random.choice(sorted(self._down))
            self._down.discard(place)
            self.play(NoteOff(channel, key), source, self._soon())

    def _wheel(self) -> None:
        place = self._keyboard()
        bend = self._random.choice((0, 0, 100, -4000, 8191, -8192))
        (self._wheels.add if bend else self._wheels.discard)(place)
        self.checker.wheels_rest = False
        self.play(PitchBend(place[1], bend), place[0], self._soon())

    def _sustain(self) -> None:
        source, channel = self._random.choice((self._keyboard(), ("keys", DRUMS)))
        controller = self._random.choice((64, 64, *HOLDING_PEDALS))
        down = self._random.random() < 0.5
        pedal = (source, channel, controller)
        (self._sustains.add if down else self._sustains.discard)(pedal)
        change = ControlChange(channel, controller, 127 if down else 0)
        self.play(change, source, self._soon())

    def _switch(self) -> None:
        number = self._random.choice((*SWITCHES, 70, 71, 72))
        channel = self._random.choice((0, 0, 0, 1))
        place = (channel, number)
        value = self._random.choice((0, 0, 127, 127, 127, 70))
        (self._switches.add if value >= 64 else self._switches.discard)(place)
        wait_s = self._random.choice((0.001, 0.015, 0.03, 0.03, 0.4))
        self.play(ControlChange(channel, number, value), "feet", wait_s)

    def _pedal(self) -> None:
        self.play(ControlChange(0, 11, self._random.randint(0, 127)), "feet", self._soon())

    def _foot_note(self) -> None:
        place = self._random.choice((("feet", 2, 40), ("keys", 0, 40), ("steps", 0, 61)))
        if place in self._foot_notes:
            self._foot_notes.discard(place)
            self.play(NoteOff(place[1], place[2]), place[0], 0.03)
        else:
            self._foot_notes.add(place)
            self.play(NoteOn(place[1], place[2], 9), place[0], 0.03)

    def _program(self) -> None:
        source = self._random.choice(("feet", "keys"))
        self.play(ProgramChange(0, self._random.randint(0, 5)), source, 0.01)

    def _drums(self) -> None:
        key = self._random.randint(36, 40)
        place = ("keys", DRUMS, key)
        if place in self._down:
            self._down.discard(place)
            self.play(NoteOff(DRUMS, key), "keys", self._soon())
        else:
            self._down.add(place)
            self.play(NoteOn(DRUMS, key, 100), "keys", self._soon())

    def _clock(self) -> None:
        message = self._random.choice((START, STOP, CONTINUE, SongPosition(4), CLOCK))
        self.play(message, "steps", 0.01)
        for _ in range(self._random.randint(0, 30)):
            self.play(CLOCK, "steps", 0.02)

    def _command(self) -> None:
        chance = self._random
        scene = chance.choice(SCENES)
        voice = chance.choice(NAMES)
        command = chance.choice(
            (
                commands.RecallScene(scene.name),
                commands.RecallScene("together"),
                commands.StepScene(chance.choice((-1, 1))),
                commands.RecallProgram(chance.randint(0, 4)),
                commands.SetList(chance.choice(((), ("drone", "round")))),
                commands.ChangeVoice(
                    chance.choice((voice, None)), (("semitones", chance.randint(-12, 12)),)
                ),
                commands.ChangeVoice(voice, (("octaves", chance.randint(-1, 1)),)),
                commands.ChangeVoice(voice, (("legato", chance.random() < 0.5),)),
                commands.ChangeVoice(voice, (("hold", chance.choice(("note", "sample", None))),)),
                commands.ChangeScene((("hold", chance.choice(("none", "note", "trigger"))),)),
                commands.ChangeTonight(transpose_semitones=chance.randint(-7, 7)),
                commands.Bypass(None, chance.random() < 0.5),
                commands.Mute(voice, chance.random() < 0.5),
                commands.Solo(voice, chance.random() < 0.3),
                commands.TriggerNow(),
                commands.RootKey(chance.random() < 0.3, voice),
                commands.CancelWaiting(),
                commands.Revert(),
                commands.Undo(),
                commands.SceneStored(scene, scene.name),
                commands.UseProfile(voice, None),
                commands.SetTouchUp(voice, TouchUp(0.0, 0.0)),
                commands.LightsBack("feet"),
                commands.LightsLost("feet"),
            )
        )
        self.play(command)

    def _refused_command(self) -> None:
        before = self.refused
        self.play(
            self._random.choice(
                (
                    commands.RecallScene("nine"),
                    commands.RecallProgram(99),
                    commands.StepScene(-99),
                    commands.PlayRaw("nobody", 60),
                    commands.PlayRaw("reed", 60, 9e9),
                    commands.ChangeVoice("nobody", (("semitones", 1),)),
                    commands.ChangeTonight(440.0, 99),
                    commands.Reload(replace(self.rig, outputs=()), SCENES),
                )
            )
        )
        if self.refused == before:
            raise CheckFailed("a command that names nothing was carried out")

    def _measure(self) -> None:
        self._measured = True
        self.checker.wheels_rest = False
        if self._random.random() < 0.4:  # a run begins with every key up
            self.everything_up()
            self.checker.wheels_rest = False
            self._measured = True
        for _ in range(self._random.randint(1, 6)):
            voice = self._random.choice(NAMES[:3])
            pitch_cents = 100.0 * self._random.randint(40, 200)  # some are out of reach
            self.play(
                self._random.choice(
                    (
                        commands.PlayRaw(voice, self._random.randint(40, 80), 20.0),
                        commands.PlayRaw(voice, self._random.randint(40, 80), 999.0),
                        commands.PlayPitch(voice, pitch_cents, strike=self._random.random() < 0.5),
                        commands.ReleaseVoice(voice),
                        commands.StepScene(-99),
                    )
                ),
                after_s=self._soon(),
            )

    def _lose(self) -> None:
        name = self._random.choice([output.name for output in self.rig.outputs])
        if self.checker.cables[name].linked:
            if self._random.random() < 0.3:
                self._unplug(self._random.choice(("keys", "steps", "feet")))
            self.pass_time(0.001)
            self._take()
            self.checker.lost(name)
            self.play(commands.OutputLost(name), after_s=0.0)
        else:
            self._plug_in(name)

    def _unplug(self, name: str) -> None:
        """Take an input away: what was down on it never says that it comes up."""
        self.play(commands.SourceLost(name))
        self._down = {place for place in self._down if place[0] != name}
        self._foot_notes = {place for place in self._foot_notes if place[0] != name}
        self._sustains = {place for place in self._sustains if place[0] != name}
        self._wheels = {place for place in self._wheels if place[0] != name}
        if name == "feet":
            self._switches.clear()
        if self._random.random() < 0.3:
            self.everything_up()  # before another key mends it

    def _learn(self) -> None:
        count = self._random.randint(0, len(TOGGLES))
        learned = tuple(self._random.sample(TOGGLES, count))
        self.play(commands.UseLearned(learned))
        # A pedal that is a switch now says no more that it comes up.
        bound = {(one.input, one.binding.number) for one in learned}
        self._sustains = {one for one in self._sustains if (one[0], one[2]) not in bound}

    def _reload(self) -> None:
        """Reload as the daemon does: what waits leaves, for a while; then ports close and open."""
        rig = self._random.choice(self.rigs)
        scenes = SCENES if self._random.random() < 0.8 else SCENES[:3]
        before = {output.name: output for output in self.rig.outputs}
        if self._random.random() < 0.5:
            self._burst()
        self.play(commands.Reload(rig, scenes))
        end_s = self.now_s + 0.1
        while (at_s := self.wire.wake_at_s) is not None and at_s < end_s:
            self.now_s = max(self.now_s, at_s)
            self._take()
        self.wire.replace(rig.outputs, self.now_s)
        self._take()
        following = {output.name: output for output in rig.outputs}
        for name, output in before.items():
            if name not in following or following[name].port != output.port:
                self.checker.removed(name)
        self.rig = rig
        for name, output in following.items():
            old = self.checker.cables.get(name)
            self.checker.cables[name] = cable = _cable(output, rig)
            if old is None:
                if name in before:
                    self.play(commands.OutputLost(name))
                if self._random.random() < 0.8:
                    self._plug_in(name)
            else:
                cable.linked, cable.owed, cable.free_at_s = old.linked, old.owed, old.free_at_s
                cable.channels, cable.at_s = old.channels, old.at_s

    def _mode_message(self) -> None:
        place = self._keyboard()
        number = self._random.choice((120, 121, 123))
        self.checker.wheels_rest = False
        if number == 121:
            self._sustains = {pedal for pedal in self._sustains if pedal[:2] != place}
            self._wheels.discard(place)
        self.play(ControlChange(place[1], number, 0), place[0], self._soon())

    def _other(self) -> None:
        message = self._random.choice(
            (
                ControlChange(0, 1, self._random.randint(0, 127)),
                ControlChange(0, 101, 0),
                ChannelPressure(0, 50),
                SysEx(b"\xf0\x01\xf7"),
                ACTIVE_SENSING,
            )
        )
        self.play(message, "keys", self._soon())

    def _tune(self) -> None:
        """Send tunings in which each key is some key of the piano, and damaged ones."""
        chance = self._random
        pitches = [100.0 * min(127, max(0, key + chance.randint(-2, 2))) for key in range(128)]
        dump = bulk(pitches, program=chance.randint(0, 3))
        key, other = chance.randint(40, 80), chance.randint(40, 80)
        single = bytes((0xF0, 0x7F, 0, 8, 2, 0, 1, key, other, 0, 0, 0xF7))
        damaged = (dump[:200] + b"\xf7", dump[:-2] + bytes((dump[-2] ^ 1, 0xF7)))
        content = chance.choice((dump, single, *damaged))
        self.pass_time(self._soon())
        before = self.engine.live.parts()
        self.play(SysEx(content), "steps", 0.0)
        if content in damaged and any(map(is_not, before, self.engine.live.parts())):
            raise CheckFailed("a damaged tuning has changed a setting")

    def _rest(self) -> None:
        self.pass_time(self._random.choice((0.05, 0.3, 1.5)))

    # ------------------------------------------------------------ whole checks

    def everything_up(self) -> None:
        """Every key, wheel and pedal comes up: nothing may sound, and every voice can play."""
        self.checker.wheels_rest = False
        self.play(commands.UseLearned(()))  # toggles of learned switches end with their bindings
        self.play(commands.ReleaseVoice())
        for source, channel, key in sorted(self._down):
            self.play(NoteOff(channel, key), source)
        for source, channel, key in sorted(self._foot_notes):
            self.play(NoteOff(channel, key), source, 0.03)
        for channel, number in sorted(self._switches):
            self.play(ControlChange(channel, number, 0), "feet", 0.03)
        for source, channel, controller in sorted(self._sustains):
            self.play(ControlChange(channel, controller, 0), source)
        for source, channel in sorted(self._wheels):
            self.play(PitchBend(channel, 0), source)
        self._forget()
        self.pass_time(0.5)
        self.drain()
        self.checker.all_silent("every key and pedal is up")
        self.checker.no_sustain("every pedal is up")
        self.alive()

    def panic(self) -> None:
        """Panic silences everything, with all keys and pedals down."""
        self.checker.wheels_rest = False
        self.play(commands.Panic(), after_s=0.03)  # what was pressed counts, or was bounce
        self.drain()
        self.checker.all_silent("panic")
        self.checker.no_sustain("panic")
        self.play(NoteOn(0, 60, 100), "steps")  # the pedals that are still down hold nothing
        self.play(NoteOff(0, 60), "steps", 0.2)
        self.drain()
        self.checker.all_silent("a key after panic is up")
        self.everything_up()

    def _forget(self) -> None:
        self._down.clear()
        self._foot_notes.clear()
        self._switches.clear()
        self._sustains.clear()
        self._wheels.clear()
        self._measured = False

    def alive(self) -> None:
        """With plain settings, a key sounds every voice of every cable that is there."""
        tidy: list[commands.Command] = [commands.RootKey(False), commands.RecallScene("together")]
        tidy += [commands.ChangeScene((("hold", "none"),)), commands.CancelWaiting()]
        tidy += [commands.RecallScene("drone"), commands.TriggerNow()]
        tidy += [commands.ChangeScene((("hold", "none"),)), commands.RecallScene("together")]
        tidy += [commands.ChangeVoice(None, (("hold", None),)), commands.TriggerNow()]
        tidy += [commands.ChangeTonight(440.0, 0), commands.Bypass(None, False)]
        tidy += [command(v.name, False) for v in self.rig.voices for command in (_MUTE, _SOLO)]
        for command in tidy:
            self.play(command)
        self.pass_time(1.0)
        self.play(commands.Revert())
        self.play(commands.TriggerNow())
        place = ("steps", 0)
        self.pass_time(1.0)
        self.drain()
        self.checker.wheels_rest = True
        self.play(NoteOn(place[1], 60, 100), place[0])
        self.drain()
        self._sounds(6000.0)
        self.checker.wheels_rest = False  # from here on strikes lie between the keys, too
        self.play(commands.ChangeVoice(None, QUARTER_TONES))
        for key in (61, 66):  # legato, each by another bend
            self.play(NoteOn(place[1], key, 100), place[0], 0.3)
            self.drain()
            self._sounds(6000.0 + 50.0 * (key - 60))
        for key in (66, 60, 61):
            self.play(NoteOff(place[1], key), place[0], 0.2)
        self.play(commands.Revert())
        self.pass_time(0.3)
        self.drain()
        self.checker.all_silent("the key is up")

    def _sounds(self, pitch_cents: float) -> None:
        """Each voice that is there sounds one note, at a pitch and its own detune."""
        for voice in self.rig.voices:
            cable = self.checker.cables[voice.output]
            channel = cable.channels[voice.channel]
            if not cable.linked:
                continue
            if len(channel.sounding) != 1 or channel.bend is None:
                raise CheckFailed(f"{voice.name}: {channel.sounding} sound, bend {channel.bend}")
            bent_cents = channel.bend * cable.bend_range_cents / 8192.0
            heard_cents = 100.0 * channel.sounding[0] + bent_cents + 1200.0 * voice.panel_octaves
            off_cents = heard_cents - pitch_cents - DETUNES[voice.name]
            if abs(off_cents) > cable.bend_range_cents / 8192.0:
                raise CheckFailed(f"{voice.name}: {off_cents:+.1f} cents beside {pitch_cents}")


_MUTE, _SOLO = commands.Mute, commands.Solo


def _cable(output: Output, rig: Rig) -> CableHeard:
    voices = [voice for voice in rig.voices if voice.output == output.name]
    channels = frozenset(voice.channel for voice in voices)
    unsafe = output.converter.overlap != "legato"
    return CableHeard(
        voice_channels=channels,
        one_note_channels=channels if unsafe else frozenset(),
        detunes={voice.channel: DETUNES[voice.name] for voice in voices},
        bend_range_cents=output.converter.bend_range_cents,
        bytes_per_second=output.converter.bytes_per_second,
        repeats_bend=not output.converter.bend_with_gate_low,
    )
