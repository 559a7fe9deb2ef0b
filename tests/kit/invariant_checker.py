"""A rig of two converters and five voices, and receivers that check every byte they get.

``InvariantChecker`` plays messages into engine and wire and asserts, as it goes, the
invariants of the design: see ``tests/engine/test_invariants.py``.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from typing import Any

from zerobeat.engine import commands
from zerobeat.engine.engine import Engine
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.settings import (
    Converter,
    Input,
    Output,
    Rig,
    Scene,
    Trigger,
    Voice,
    VoiceSettings,
    Zone,
)
from zerobeat.engine.wire import LINK_CUT, Marker, Wire
from zerobeat.midi import CLOCK, NoteOff, NoteOn, PitchBend, parse
from zerobeat.tuning.scale import equal_division, preset
from zerobeat.tuning.tracking import Reading, TrackingCurve

CURVE = TrackingCurve.from_readings(
    [Reading(100.0 * k, 0.35 * (k - 60) + 9.0 * math.sin(k / 5.0), 0.05) for k in range(24, 109, 3)]
)
NUMBERS = tuple(20.0 * math.sin(n) for n in range(128))  # cents, a converter that errs by number
QUAD = Converter("quad", overlap="legato", gate_gap_s=0.003, lowest_note=24, highest_note=108)
OCTO = Converter(
    "octo",
    1200.0,
    overlap="unsafe",
    settle_s=0.002,
    gate_gap_s=0.005,
    bytes_per_second=3125,
    lowest_note=24,
    highest_note=84,
)
DRUMS = 9  # the channel that passes through
INPUTS = (
    Input("keys", "Stage Keys:Stage Keys MIDI 1"),
    Input("steps", "Step Box:Step Box MIDI 1", wheel_cents=700.0),
    Input("pad", "Pad:Pad MIDI 1", plays=False),
)
OUTPUTS = (
    Output(
        "quad",
        "quad:quad MIDI 1",
        converter=QUAD,
        pass_channels=(DRUMS,),
        pass_classes=("controllers", "pressure"),
    ),
    Output("octo", "octo:octo MIDI 1", converter=OCTO),
)
VOICES = (
    Voice("reed", "quad", 0, lowest_note=24, highest_note=108, curve=CURVE),
    Voice("horn", "quad", 1, lowest_note=24, highest_note=108, curve=CURVE, tail_s=0.05),
    Voice("glass", "quad", 2, lowest_note=24, highest_note=108, panel_octaves=-1),
    Voice("bass", "octo", 0, 0, 1200.0, 24, 84, curve=CURVE, note_errors_cents=NUMBERS),
    Voice("floor", "octo", 1, 0, 1200.0, 24, 60, gate_ignored=True),
)
RIGS = (
    Rig(INPUTS, OUTPUTS, VOICES, clock_from="steps"),
    # Other facts, one channel moved, one voice gone and a new one, drums elsewhere.
    Rig(
        (INPUTS[0], replace(INPUTS[1], channel=0), INPUTS[2]),
        (replace(OUTPUTS[0], pass_channels=()), replace(OUTPUTS[1], pass_channels=(DRUMS,))),
        (
            replace(VOICES[0], curve=None, bend_range_cents=700.0),
            replace(VOICES[1], channel=5),
            VOICES[3],
            replace(VOICES[4], curve=CURVE, bend_range_cents=200.0),
            Voice("oboe", "octo", 2, 0, 1200.0, 24, 84),
        ),
        clock_from="steps",
    ),
    Rig(INPUTS[:1], OUTPUTS[:1], VOICES[:2]),
)
NAMES = ("reed", "horn", "glass", "bass", "floor")
DORIAN = VoiceSettings(scale=preset("dorian"), root=62)
BEAT = Trigger("clock", every=1, unit="beat")
PAD_NOTE = Trigger("remote_note", input="pad", note=40)
SCENES = (
    Scene("together", zones=(Zone(("reed", "horn", "glass", "bass")), Zone(("floor",)))),
    Scene(
        "round",
        hold="none",
        zones=(Zone(("reed", "horn", "bass"), "rotate"), Zone(("glass",), lowest_key=60)),
        voices={name: VoiceSettings(detune_cents=7.0, wheel="stepped") for name in NAMES},
    ),
    Scene(
        "drone",
        hold="trigger",
        triggers=(Trigger("key"),),
        zones=(Zone(("reed", "floor"), inputs=("steps",)), Zone(("horn", "reed"), channels=(0,))),
        voices={"floor": VoiceSettings(start_key=40, legato=True, hold="note"), "reed": DORIAN},
    ),
    Scene(
        "legato",
        hold="note",
        voices={
            "reed": VoiceSettings(legato=True, priority="lowest"),
            "bass": VoiceSettings(legato=True, priority="highest", octaves=-1),
            "glass": replace(DORIAN, detune_beats_hz=0.5, legato=True, wheel="stepped"),
            "horn": VoiceSettings(scale=equal_division(5), degrees=1, hold="trigger"),
        },
    ),
    Scene(
        "clocked",
        hold="trigger",
        triggers=(BEAT, PAD_NOTE),
        voices={
            "bass": VoiceSettings(hold="sample", octaves=-1),
            "glass": VoiceSettings(hold="note"),
        },
    ),
    Scene(
        "frozen",
        hold="sample",
        regate=True,
        triggers=(BEAT, Trigger("remote_note", input="steps", note=60)),
        beats_in_bar=3,
        beat_unit=8,
        voices={
            "reed": VoiceSettings(scale=preset("dorian"), root=62, wheel="stepped"),
            "horn": VoiceSettings(legato=True, priority="lowest"),
            "floor": VoiceSettings(start_key=40),
        },
    ),
)
ASKING = (
    commands.RecallScene,
    commands.ChangeVoice,
    commands.ChangeScene,
    commands.Reload,
    commands.Revert,
)
LONGEST_SCRIPT = 10_000  # messages kept for the replay


class InvariantChecker:
    """Engine and wire, and a receiver on each cable that checks what arrives."""

    def __init__(self, rig: Rig = RIGS[0], start: str = "together") -> None:
        self.rig = replace(rig, start_scene=start)
        self.engine = Engine(self.rig, SCENES)
        self.wire = Wire(self.rig.outputs)
        self.now_s = 0.0
        self.script: list[tuple[float, Any, str]] = []
        self.raw: list[tuple[float, str, bytes]] = []
        self.sounding: dict[tuple[str, int], list[int]] = {}
        self.bent: dict[tuple[str, int], int] = {}
        self.known: set[tuple[str, int]] = set()  # channels whose bend need not be sent again
        self.due: dict[tuple[str, int], deque[tuple[int, int, int | None]]] = {}
        self.reached: dict[str, bool] = {}
        self.left_out = 0  # strikes that the wire left out, because they came too late
        self.cut_short = 0  # strikes that a panic left out, because they had ended
        self.fired_s = -1e9  # the last trigger by the clock, or early for it
        for output in self.rig.outputs:
            self.play(commands.OutputBack(output.name), "")

    # ------------------------------------------------------------ playing

    def play(self, message: Any, source: str, after_s: float = 0.0) -> None:
        self.pass_time(after_s)
        if len(self.script) < LONGEST_SCRIPT:
            self.script.append((self.now_s, message, source))
        due_s = self.engine.wake_at_s
        if due_s is not None and due_s <= self.now_s:  # the replay leaves it to the engine
            self.wake()
        self.last = message
        before = StateBefore(self, message, source)
        outputs: Outputs = []
        if type(message) is commands.OutputLost:
            self.reached[message.output] = False
        waiting, late = self.strikes_waiting(), self.wire.late_notes()
        self.engine.receive(message, source, self.now_s, outputs)
        self.expect(outputs)
        self.landing(message, before)
        self.sampling(before)
        self.wire.put(outputs, self.now_s)
        if type(message) is commands.Panic:
            made = sum(type(made) is NoteOn for _, made in outputs)
            late = self.wire.late_notes() - late
            self.cut_short += waiting + made - late - self.strikes_waiting()
        self.take()
        if type(message) is commands.Reload:
            self.reloaded(message.rig)

    def strikes_waiting(self) -> int:
        """Return how many note-ons the wire has not handed out."""
        groups = (group for cable in self.wire._cables.values() for group in cable.groups)
        queued = sum(type(message) is NoteOn for group in groups for message in group.messages)
        return queued + sum(content[0] & 0xF0 == 0x90 for _, content in self.wire._sent)

    def reloaded(self, rig: Rig) -> None:
        self.drain()
        self.rig = rig
        self.wire.replace(rig.outputs)
        for output in rig.outputs:
            if output.name not in self.engine.ports.present:
                self.play(commands.OutputBack(output.name), "")

    def pass_time(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while (at_s := next_wake_s(self.engine, self.wire)) < end_s:
            self.now_s = max(self.now_s, at_s)
            due_s = self.engine.wake_at_s
            if due_s is not None and due_s <= self.now_s:
                self.wake()
            self.take()
        self.now_s = end_s

    def wake(self) -> None:
        before = StateBefore(self, None, "")
        outputs: Outputs = []
        self.engine.wake(self.now_s, outputs)
        self.expect(outputs)
        self.landing(None, before)
        self.sampling(before)
        self.wire.put(outputs, self.now_s)

    def drain(self) -> None:
        last_s = self.now_s + 60.0
        while (at_s := self.wire.wake_at_s) is not None:
            assert at_s < last_s, "the wire asks for ever more time"
            self.now_s = max(self.now_s, at_s)
            self.take()

    # ------------------------------------------------------------ what the engine made

    def expect(self, outputs: Outputs) -> None:
        """Check order and pitch of each strike, and note the bend it must leave with."""
        last: dict[str, Any] = {}
        ours = {(s.voice.output, s.voice.channel): s for s in self.engine.states.values()}
        final: dict[tuple[str, int], tuple[int, int]] = {}
        for name, message in outputs:
            if message is LINK_CUT:
                self.reached[name] = True
                for key in [key for key in self.due if key[0] == name]:
                    del self.due[key]
            if type(message) is Marker:
                self.known = {key for key in self.known if key[0] != name}
            if type(message) is Marker:
                continue
            assert self.reached.get(name), f"{name} is lost and gets {message}"
            key = (name, getattr(message, "channel", -1))
            if type(message) is PitchBend and key in final:
                final[key] = (final[key][0], message.bend)
            elif type(message) is NoteOn:
                bend = None
                if key in ours:
                    before = last.get(name)
                    assert type(before) is PitchBend and before.channel == message.channel
                    bend = before.bend
                    final[key] = (message.note, bend)
                self.due.setdefault(key, deque()).append((message.note, message.velocity, bend))
            last[name] = message
        for key, (note, bend) in final.items():
            state = ours[key]
            heard = state.lane.notes or state.voice.gate_ignored
            if state.voice.name in self.engine.measuring.taken:
                self.measured(state, note, bend)
            elif heard and state.note == note and not state.out_of_reach:
                self.asks(state, note, bend)

    def measured(self, state: Any, note: int, bend: int) -> None:
        """A voice that is measured raw has just the note and bend that were asked for."""
        asked = self.last
        if type(asked) is commands.PlayRaw:
            steps = math.floor(asked.bend_cents * 8192.0 / state.voice.bend_range_cents + 0.5)
            assert (note, bend) == (asked.note, min(8191, steps))
        else:
            assert type(asked) is commands.PlayPitch and asked.voice == state.voice.name

    def asks(self, state: Any, note: int, bend: int) -> None:
        """The last strike of an event has the bend that the chain asks for, worked out anew."""
        held = state.playing
        chain = state.sounding
        wheel_cents = self.engine.player.wheels.get(held.source, 0.0)
        stepped = chain.settings.wheel == "stepped"
        key, stepped_cents = state.sampled or (held.key, wheel_cents)
        target, _ = chain.target(100.0 * key + (stepped_cents if stepped else 0.0))
        assert target is not None
        smooth_cents = 0.0 if stepped else wheel_cents
        commanded = chain.command(target + smooth_cents)
        errors = chain.note_errors_cents
        left = commanded - 100.0 * note - (0.0 if errors is None else errors[note])
        steps = math.floor(left * 8192.0 / state.voice.bend_range_cents + 0.5)
        if smooth_cents:  # only the wheel may be clamped
            steps = max(-8192, min(8191, steps))
        assert bend == min(8191, steps), (state.voice.name, held.key, note)

    # ------------------------------------------------------------ what left

    def take(self) -> None:
        for name, content in self.wire.take(self.now_s):
            self.raw.append((self.now_s, name, content))
            if self.reached.get(name):
                self.arrive(name, parse(content))

    def arrive(self, name: str, message: Any) -> None:
        assert message is not None
        key = (name, getattr(message, "channel", -1))
        sounding = self.sounding.setdefault(key, [])
        if type(message) is PitchBend:
            assert key not in self.known or self.bent[key] != message.bend, "an equal bend was sent"
            self.bent[key] = message.bend
            self.known.add(key)
        elif type(message) is NoteOn:
            note, velocity, bend = self.next_strike(key, message)
            assert (note, velocity) == (message.note, message.velocity), "note-ons out of order"
            assert bend is None or self.bent.get(key) == bend, "struck on a stale bend"
            assert note not in sounding, "struck while it sounds"
            sounding.append(note)
            if self.one_note_only(name, key[1]):
                assert len(sounding) == 1, "a second note where overlap is unsafe"
        elif type(message) is NoteOff:
            if message.note in sounding:
                sounding.remove(message.note)
            else:
                assert self.after_a_loss(name), f"stray {message}"

    def next_strike(self, key: tuple[str, int], message: NoteOn) -> tuple[int, int, int | None]:
        """Return the strike that a note-on is; those that came too late to start are left out.

        So are those that had ended before they could start, at a panic.
        """
        due = self.due[key]
        strike = due.popleft()
        while due and self.left_out < self.wire.late_notes() + self.cut_short:
            note, velocity, bend = strike
            fits = bend is None or self.bent.get(key) == bend
            if fits and (note, velocity) == (message.note, message.velocity):
                break
            self.left_out += 1
            strike = due.popleft()
        return strike

    def one_note_only(self, name: str, channel: int) -> bool:
        converter = next((o.converter for o in self.rig.outputs if o.name == name), None)
        passed = any(channel in o.pass_channels for o in self.rig.outputs if o.name == name)
        return converter is not None and converter.overlap != "legato" and not passed

    def after_a_loss(self, name: str) -> bool:
        """A link that was cut may get note-offs of notes that never left."""
        return type(self.last) is commands.OutputBack

    # ------------------------------------------------------------ landing

    def landing(self, message: Any, before: StateBefore) -> None:
        """What waited has landed if its hold says so, and else it has not (invariant 4)."""
        triggered = before.triggered()
        pressed = self.engine.keyboard.presses > before.presses
        if before.asked_late is not None:
            self.asked_late(before.asked_late, before)
        if isinstance(message, ASKING) or before.root_key:
            return
        for name, (was, waiting, hold) in before.waits.items():
            state = self.engine.states[name]
            if waiting is None or type(message) is commands.CancelWaiting:
                assert state.settings is was
                continue
            landed = state.settings is waiting
            assert landed or state.settings is was
            struck = (
                pressed
                and state.playing is not None
                and (state.playing.age == self.engine.keyboard.presses)
            )
            if hold in ("trigger", "sample"):
                assert landed == triggered, f"{name}: {message} with hold {hold}"
            elif hold == "note" and not self.start_key_sounds(name, triggered or pressed):
                assert landed == struck, f"{name}: {message} with hold {hold}"

    def asked_late(self, name: str, before: StateBefore) -> None:
        """A change just after a clock trigger lands at once; any other waits for its trigger."""
        state = self.engine.states[name]
        if state.settings is before.waits[name][0] and state.waiting is None:
            return  # it changed nothing
        late = before.divisions and self.now_s - before.fired_s <= before.scene.late_ms / 1000.0
        assert (state.waiting is None) == bool(late), f"{name} asked late"

    def sampling(self, before: StateBefore) -> None:
        """A sampled pitch changes at a trigger and at its reading, and never between."""
        triggered = before.triggered()
        for name, (sampled, due) in before.sampled.items():
            state = self.engine.states.get(name)
            if state is None or sampled is None or not state.samples or state.sampled is None:
                continue
            assert state.sampled is sampled or triggered or due, f"{name} read its key between"

    def start_key_sounds(self, name: str, ended: bool) -> bool:
        """A drone's start key sounds with the scene's own part, at whatever ends its wait."""
        return ended and self.engine.states[name].settings.start_key is not None

    # ------------------------------------------------------------ the end

    def finish(self) -> None:
        """Nothing sounds after a stop, and the same again gives the same bytes."""
        outputs = self.engine.release_all()
        self.expect(outputs)
        self.wire.put(outputs, self.now_s)
        self.take()
        self.drain()
        assert not any(lane.notes and lane.up for lane in self.engine.ledger.all())
        for (name, channel), notes in self.sounding.items():
            if self.reached.get(name) and name in self.engine.ports.present:
                assert not notes, f"{name} channel {channel} still sounds {notes}"


class StateBefore:
    """What stood before an event, and what the event should trigger."""

    def __init__(self, stage: InvariantChecker, message: Any, source: str) -> None:
        engine = stage.engine
        live = engine.live
        self.stage = stage
        self.message = message
        self.scene = live.scene
        self.clock = engine.triggers.clock
        self.presses = engine.keyboard.presses
        self.fired_s = stage.fired_s
        self.fired_tick = self.clock.fired_tick
        self.next_tick = self.clock.next_tick
        self.ran = self.clock.running
        self.divisions = divisions(live.scene)
        self.waits = {
            name: (state.settings, state.waiting, state.waiting_hold)
            for name, state in engine.states.items()
        }
        self.sampled = {name: (s.sampled, s.read_due) for name, s in engine.states.items()}
        self.remote = self._remote(source)
        self.by_clock = source == stage.rig.clock_from and message == CLOCK
        self.root_key = bool(live.root_voices) and type(message) is NoteOn
        self.asked_late: str | None = None
        if (
            type(message) is commands.ChangeVoice
            and message.voice
            and set(dict(message.changes)) != {"hold"}
        ):
            hold = live.hold_of(engine.states[message.voice])
            self.asked_late = message.voice if hold in ("trigger", "sample") else None
        self.early = self._early()

    def _early(self) -> int | None:
        """Return the tick that a key now would be early for; None if it is far off."""
        first = max(self.next_tick, self.fired_tick + 1)
        for tick in range(first, first + 600):  # two bars of 12/4 and more
            if any(tick % every == 0 for every in self.divisions):
                near_s = self.scene.early_ms / 1000.0
                return tick if self.clock.is_due_within(tick, self.stage.now_s, near_s) else None
        return None

    def _remote(self, source: str) -> bool:
        message = self.message
        if type(message) is not NoteOn:
            return False
        only = next((i.channel for i in self.stage.rig.inputs if i.name == source), None)
        return (only is None or only == message.channel) and any(
            trigger.kind == "remote_note"
            and trigger.input == source
            and trigger.note in (None, message.note)
            for trigger in self.scene.triggers
        )

    def triggered(self) -> bool:
        """After the event: should it have ended what waits for a trigger?"""
        stage = self.stage
        early = type(self.message) is NoteOn and self.clock.fired_tick != self.fired_tick
        if early:
            stage.fired_s = stage.now_s
        if type(self.message) is commands.TriggerNow or self.remote:
            return True
        if self.by_clock and self.ran:
            come = range(self.next_tick, self.clock.next_tick)
            due = [tick for tick in come if any(tick % every == 0 for every in self.divisions)]
            if due:
                stage.fired_s = stage.now_s
            return bool(due) and due[-1] > self.fired_tick
        if type(self.message) is not NoteOn or stage.engine.keyboard.presses == self.presses:
            return False
        by_key = any(
            t.kind == "key" for t in (*self.scene.triggers, *stage.engine.live.scene.triggers)
        )
        same = stage.engine.live.scene is self.scene  # else its triggers rule from this key on
        if early:
            assert not same or self.early == self.clock.fired_tick, "early for no tick"
            return True
        waited = any(w and hold in ("trigger", "sample") for _, w, hold in self.waits.values())
        assert not (same and waited and self.early is not None), (
            "a key just before the clock brought nothing on"
        )
        return by_key


def divisions(scene: Scene) -> list[int]:
    """Return the clocks from one trigger to the next; 96 a whole note."""
    return [
        trigger.every * (scene.beats_in_bar if trigger.unit == "bar" else 1) * 96 // scene.beat_unit
        for trigger in scene.triggers
        if trigger.kind == "clock"
    ]


def next_wake_s(engine: Engine, wire: Wire) -> float:
    """Return when wire or engine want to be woken; infinity if they don't."""
    return min((s for s in (wire.wake_at_s, engine.wake_at_s) if s is not None), default=math.inf)


def replay(
    script: list[tuple[float, Any, str]], rig: Rig, end_s: float
) -> list[tuple[float, str, bytes]]:
    """Play a script through a fresh engine and wire, with nothing checked."""
    engine = Engine(rig, SCENES)
    wire = Wire(rig.outputs)
    now_s = 0.0
    sent: list[tuple[float, str, bytes]] = []

    def take() -> None:
        sent.extend((now_s, name, content) for name, content in wire.take(now_s))

    for at_s, message, source in [*script, (end_s, None, "")]:
        while (due_s := next_wake_s(engine, wire)) < at_s:
            now_s = max(now_s, due_s)
            if engine.wake_at_s is not None and engine.wake_at_s <= now_s:
                outputs: Outputs = []
                engine.wake(now_s, outputs)
                wire.put(outputs, now_s)
            take()
        now_s = at_s
        if message is None:
            break
        outputs = []
        engine.receive(message, source, now_s, outputs)
        wire.put(outputs, now_s)
        take()
        if type(message) is commands.Reload:
            while (due_s := wire.wake_at_s) is not None:
                now_s = max(now_s, due_s)
                take()
            wire.replace(message.rig.outputs)
    return sent
