"""Keys, feet, commands and lost ports in any order: what must hold whatever a foot does.

- each note-on gets one note-off, and its bend just before it
- the same messages at the same times give the same bytes, lights and requests
- under the stage lock no store is ever asked for (F10)
- a pedalboard that shows each message it got shows what a whole send would (F8)
- with every switch up, no foot holds anything (N6)
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.pedals.bindings import Binding, Learned, Pedalboard
from zerobeat.engine.settings import Input, Scene, Trigger, VoiceSettings
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend, ProgramChange

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)


def _switch(number: int, action: str, **more: Any) -> Binding:
    return Binding("controller", number, action, **more)


BINDINGS = (
    Binding("program", None, "recall", feedback=True),
    _switch(64, "sustain", kind="momentary", feedback=True),
    _switch(80, "next"),
    _switch(80, "panic", long_press_s=0.3),
    _switch(81, "previous", kind="latching"),
    _switch(82, "trigger", feedback=True),
    _switch(83, "cancel", feedback=True),
    _switch(84, "bypass", kind="toggle", feedback=True),
    _switch(85, "mute", kind="momentary", voice="reed", feedback=True),
    _switch(86, "solo", kind="toggle", voice="horn", feedback=True),
    _switch(87, "hold", kind="toggle", hold="none", feedback=True),
    _switch(88, "set", kind="momentary", setting="semitones", to=5.0, feedback=True),
    _switch(89, "transpose", kind="toggle", by=2.0, feedback=True),
    _switch(90, "set_root", kind="momentary", voice="glass", feedback=True),
    _switch(91, "store", feedback=True),
    _switch(92, "store", long_press_s=0.2),
    _switch(93, "revert"),
    Binding("note", 40, "mute", kind="momentary", voice="glass"),
    Binding(
        "controller", 11, "set", kind="follow", setting="detune_cents", lowest=-50.0, highest=50.0
    ),
)
LEARNED = (
    (),
    (
        Learned("feet", _switch(80, "transpose", by=-1.0)),
        Learned("keys", Binding("note", 60, "next")),
    ),
    (Learned("feet", _switch(64, "sustain", kind="momentary")),),
)
SCENES = (
    Scene("together", program=0),
    Scene("drone", program=1, hold="none", voices={"reed": VoiceSettings(semitones=7)}),
    Scene("steps", program=1, bank=1, hold="trigger", triggers=(Trigger("key"),)),
    Scene("slow", program=2, voices={"horn": VoiceSettings(legato=True, detune_cents=9.0)}),
)
NUMBERS = sorted({b.number for b in BINDINGS if b.source == "controller"})


def new_case() -> EngineHarness:
    rig = replace(
        small_rig(3, inputs=(KEYS, FEET)),
        pedalboards={"feet": Pedalboard("Four Feet", BINDINGS, relight=True)},
        set_list=("together", "slow", "together", "steps"),
        set_list_ends="wrap",
    )
    return EngineHarness(rig, SCENES)


class Feet(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.case = new_case()
        self.script: list[tuple[Any, str, float]] = []
        self.shown: dict[tuple[str, int, int], Any] | None = None
        self.lamps: list[Any] = []

    def play(self, message: Any, source: str, after_s: float) -> None:
        self.script.append((message, source, after_s))
        perform(self.case, message, source, after_s)
        self.gather()

    def gather(self) -> None:
        due = self.case.engine.pedals.lights.due
        for name, message in due:
            assert name == "feet"
            assert self.shown is not None, "a light that is not there was sent to"
            self.shown[place(message)] = message
            self.lamps.append(message)
        due.clear()

    @rule(note=st.integers(58, 62), after_s=st.sampled_from((0.0, 0.005, 0.1)))
    def press(self, note: int, after_s: float) -> None:
        self.play(NoteOn(0, note, 100), "keys", after_s)

    @rule(note=st.integers(58, 62))
    def release(self, note: int) -> None:
        self.play(NoteOff(0, note), "keys", 0.01)

    @rule(
        number=st.sampled_from(NUMBERS),
        value=st.sampled_from((0, 0, 20, 63, 64, 100, 127, 127)),
        after_s=st.sampled_from((0.0, 0.004, 0.03, 0.25)),
    )
    def step(self, number: int, value: int, after_s: float) -> None:
        self.play(ControlChange(0, number, value), "feet", after_s)

    @rule(value=st.integers(0, 1), number=st.sampled_from((0, 32)))
    def bank(self, value: int, number: int) -> None:
        self.play(ControlChange(0, number, value), "feet", 0.001)

    @rule(program=st.integers(0, 3), source=st.sampled_from(("feet", "keys")))
    def program(self, program: int, source: str) -> None:
        self.play(ProgramChange(0, program), source, 0.02)

    @rule(on=st.booleans())
    def note_switch(self, on: bool) -> None:
        self.play(NoteOn(2, 40, 9) if on else NoteOff(2, 40), "feet", 0.03)

    @rule(
        command=st.sampled_from(
            (
                commands.RecallScene("drone"),
                commands.StepScene(-1),
                commands.Bypass(None, False),
                commands.TriggerNow(),
                commands.CancelWaiting(),
                commands.SourceLost("feet"),
                commands.SourceLost("keys"),
                commands.SetList(("steps", "slow")),
                commands.SetList(),
                commands.ChangeVoice("reed", (("detune_cents", 30.0),)),
                commands.Panic(),
                *(commands.UseLearned(learned) for learned in LEARNED),
            )
        )
    )
    def command(self, command: Any) -> None:
        self.play(command, "", 0.01)

    @rule()
    def lights_come(self) -> None:
        self.shown = {}
        self.play(commands.LightsBack("feet"), "", 0.1)

    @rule()
    def lights_go(self) -> None:
        self.play(commands.LightsLost("feet"), "", 0.1)
        self.shown = None

    @rule(seconds=st.sampled_from((0.02, 0.5, 4.0)))
    def wait(self, seconds: float) -> None:
        self.script.append((None, "", seconds))
        perform(self.case, None, "", seconds)
        self.gather()

    @invariant()
    def no_store_under_the_lock(self) -> None:
        assert all(request.action != "store" for request in self.case.engine.pedals.requests)

    @invariant()
    def lights_are_whole(self) -> None:
        if self.shown is None:
            return
        wanted = self.case.engine.pedals.lights.wanted("feet")
        known = {where: self.shown.get(place(message)) for where, message in wanted.items()}
        assert known == wanted

    def teardown(self) -> None:
        case = self.case
        for number in NUMBERS:
            self.play(ControlChange(0, number, 1), "feet", 0.1)
            self.play(ControlChange(0, number, 0), "feet", 0.1)
        self.play(NoteOff(2, 40), "feet", 0.1)
        for note in range(58, 63):
            self.play(NoteOff(0, note), "keys", 0.1)
        assert not case.engine.shared.layers.active
        assert not case.engine.live.root_voices
        assert not case.engine.live.tonight.mute
        case.drain()
        assert case.gates() == []
        bends_first(case)
        again = new_case()
        lamps = []
        for message, source, after_s in self.script:
            perform(again, message, source, after_s)
            lamps += [message for _, message in again.engine.pedals.lights.due]
            again.engine.pedals.lights.due.clear()
        again.drain()
        assert again.sent == case.sent
        assert lamps == self.lamps
        assert again.engine.pedals.requests == case.engine.pedals.requests


def place(message: Any) -> tuple[str, int, int]:
    if isinstance(message, ProgramChange):
        return ("program", message.channel, -1)
    if isinstance(message, NoteOn):
        return ("note", message.channel, message.note)
    return ("controller", message.channel, message.controller)


def perform(case: EngineHarness, message: Any, source: str, after_s: float) -> None:
    if message is None:
        case.pass_time(after_s)
        return
    try:
        case.hear(message, source, after_s)
    except CommandError:
        assert source == ""  # a foot's refusal is said, never raised


def bends_first(case: EngineHarness) -> None:
    """Nothing stands between a note-on and its bend on its channel, and one came before it."""
    bent = set()
    for message in case.heard():
        if isinstance(message, PitchBend):
            bent.add(message.channel)
        elif isinstance(message, NoteOn):
            assert message.channel in bent, f"{message} before any bend"


TestFeet = Feet.TestCase
TestFeet.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
