"""What ends the wait of hold ``trigger`` and ``sample``, and what a trigger does.

A trigger first lands what waits, on all voices. Then the voices with hold
``sample`` read their keys: at once, or ``sample_delay_ms`` after a clock, because
the clock byte comes before the note on the same beat. A key that comes within
that time is read as it is struck.
"""

from __future__ import annotations

from collections.abc import Container
from typing import TYPE_CHECKING

from .. import midi
from .clock import Clock, beat_ticks
from .ledger import Outputs
from .settings import Hold, Scene, Trigger
from .voice import Held, Sample, VoiceState

if TYPE_CHECKING:
    from .engine import Engine

UNTIL_TRIGGER: tuple[Hold, ...] = ("trigger", "sample")


class Triggers:
    """The triggers of the scene in force.

    Attributes:
        clock: of the rig's ``clock_from``.
        remote: triggers by a note of an input.
        divisions: ticks from one clock trigger to the next, one a trigger.
        read_at_s: when voices with hold ``sample`` read their keys; None if none is to.
    """

    def __init__(self, engine: Engine, scene: Scene) -> None:
        self._engine = engine
        self.clock = Clock()
        self.read_at_s: float | None = None
        self._fired_s = -1e9  # the last trigger by the clock, or by a key early for it
        self.use(scene)

    def use(self, scene: Scene) -> None:
        """Take the triggers of a scene; what waits goes on waiting."""
        self._by_key = any(trigger.kind == "key" for trigger in scene.triggers)
        self.remote = tuple(t for t in scene.triggers if t.kind == "remote_note")
        self.divisions = tuple(ticks_of(t, scene) for t in scene.triggers if t.kind == "clock")
        self._early_s = scene.early_ms / 1000.0
        self._late_s = scene.late_ms / 1000.0
        self._sample_delay_s = scene.sample_delay_ms / 1000.0
        self._regate = scene.regate

    def rule(self, state: VoiceState) -> None:
        """Let a voice sample, or follow its keys, as the hold in force says."""
        state.samples = self._engine.live.hold_of(state) == "sample"
        if not state.samples:
            state.sampled = None
            state.read_due = False

    def rule_all(self) -> None:
        for state in self._engine.states.values():
            self.rule(state)

    # ------------------------------------------------------------ what triggers

    def key_down(self, outputs: Outputs) -> None:
        """A key of a playing input goes down; what it triggers lands first."""
        engine = self._engine
        live = engine.live
        by_key = self._by_key
        if live.waiting_scene is not None and live.waiting_hold == "note":
            live.land_scene(outputs)
            by_key = by_key or self._by_key
        if self.divisions and self._something_to_do():
            due = self.clock.due_tick(self.divisions)
            if due is not None and self.clock.is_due_within(due, engine.now_s, self._early_s):
                self.clock.fired_tick = due
                self._fired_s = engine.now_s
                by_key = True
        if by_key:
            self.fire(outputs)

    def remote_note(self, message: midi.NoteOn, source: str, outputs: Outputs) -> None:
        """A note of any input goes down; a scene may name it as a trigger."""
        for trigger in self.remote:
            if (
                trigger.input == source
                and trigger.channel in (None, message.channel)
                and trigger.note in (None, message.note)
            ):
                self.fire(outputs)
                return

    def clock_message(self, message: midi.Message, outputs: Outputs) -> None:
        """Count the clock of ``clock_from``; a trigger falls on every so many ticks."""
        clock = self.clock
        now_s = self._engine.now_s
        if message != midi.CLOCK:
            clock.transport(message, now_s)
            return
        due = [
            tick for tick in clock.tick(now_s) if any(tick % every == 0 for every in self.divisions)
        ]
        if not due:
            return
        self._fired_s = now_s
        if due[-1] > clock.fired_tick:
            self.fire(outputs, self._sample_delay_s)
        else:  # a key came early for it; another may come on the beat
            self._expect_reading(self._sample_delay_s, regate=False)
        self.read_if_due(outputs)

    def now(self, command: object, source: str, outputs: Outputs) -> None:
        """A pedal or a command triggers."""
        self.fire(outputs)
        self.read(outputs)

    def too_late_to_wait(self, hold: Hold) -> bool:
        """True if what would wait was asked for just after a trigger by the clock."""
        return (
            bool(self.divisions)
            and hold in UNTIL_TRIGGER
            and self._engine.now_s - self._fired_s <= self._late_s
        )

    def _something_to_do(self) -> bool:
        states = self._engine.states.values()
        return any(state.samples for state in states) or self._engine.live.waits_for_trigger()

    # ------------------------------------------------------------ what follows

    def fire(self, outputs: Outputs, read_after_s: float = 0.0) -> None:
        """Land all that waits for a trigger; let keys be read so much later.

        With no delay the caller reads, once the key that triggered has its voice.
        """
        engine = self._engine
        if engine.measuring.running and engine.live.waits_for_trigger():
            engine.measuring.stop("a trigger", outputs)
        landed = engine.live.land_triggered(outputs)
        self._expect_reading(read_after_s, self._regate)
        for state in landed:
            if not state.samples:
                engine.current = state
                engine.player.relocate(state, outputs)

    def _expect_reading(self, after_s: float, regate: bool) -> None:
        for state in self._engine.states.values():
            if state.samples:
                state.read_due = True
                state.regate_due = regate
                self.read_at_s = self._engine.now_s + after_s

    def read_if_due(self, outputs: Outputs, but: Container[VoiceState] = ()) -> None:
        """Let keys be read if the moment has come."""
        if self.read_at_s is not None and self.read_at_s <= self._engine.now_s:
            self.read(outputs, but)

    def read(self, outputs: Outputs, but: Container[VoiceState] = ()) -> None:
        """Let the voices that are due read their own keys, except those that a key strikes."""
        engine = self._engine
        if not but:
            self.read_at_s = None
        for state in engine.states.values():
            if not state.read_due or state in but:
                continue
            engine.current = state
            state.read_due = False
            held = state.chosen() or state.playing
            if held is None:
                continue
            self.sample(state, held)
            if state.regate_due and state.held:
                state.lane.release(outputs)
                engine.player.play(state, held, outputs)
            else:
                engine.player.relocate(state, outputs)

    def struck(self, state: VoiceState, held: Held) -> None:
        """A voice with hold ``sample`` is about to be struck by a key; it may have to be read."""
        if state.sampled is None or state.read_due:
            self.sample(state, held)
            state.regate_due = False

    def sample(self, state: VoiceState, held: Held) -> None:
        """Let a voice have the pitch of a key and its wheel as they are now."""
        wheel_cents = self._engine.player.wheels.get(held.source, 0.0)
        state.sampled = Sample(held.key, wheel_cents)


def ticks_of(trigger: Trigger, scene: Scene) -> int:
    """Return the ticks from one clock trigger to the next, by the scene's time signature."""
    beats = trigger.every * (scene.beats_in_bar if trigger.unit == "bar" else 1)
    return beats * beat_ticks(scene.beat_unit)
