"""The rules of hold ``trigger`` and ``sample``: which triggers there are, and when keys are read.

After a trigger the voices with hold ``sample`` read their keys: at once, or ``sample_delay_ms``
after a clock, because the clock byte comes before the note on the same beat. A key that comes
within that time is read as it is struck. What fires a trigger is in ``trigger_events``.
"""

from __future__ import annotations

from collections.abc import Container

from .clock import Clock, beat_ticks
from .engine_state import EngineState
from .ledger import Outputs
from .player import Player
from .settings import Hold, Scene, Trigger
from .voice import Held, Sample, VoiceState

UNTIL_TRIGGER: tuple[Hold, ...] = ("trigger", "sample")


class Triggers:
    """The triggers of the scene in force.

    Attributes:
        clock: of the rig's ``clock_from``.
        by_key: any key of a playing input triggers.
        remote: triggers by a note of an input.
        divisions: ticks from one clock trigger to the next, one a trigger.
        lands_by_key: a key triggers while the clock is missed.
        early_s: a key so long before a clock trigger fires it.
        sample_delay_s: from a clock trigger until keys are read.
        regate: gates open again as keys are read.
        read_at_s: when voices with hold ``sample`` read their keys; None if none is to.
        fired_s: when the clock, or a key early for it, fired last.
    """

    def __init__(self, shared: EngineState, player: Player) -> None:
        self._shared = shared
        self._player = player
        self.clock = Clock()
        self.read_at_s: float | None = None
        self.fired_s = -1e9
        self.use()

    def use(self) -> None:
        """Read the triggers of the scene in force; what waits goes on waiting."""
        scene = self._shared.scene
        self.by_key = any(trigger.kind == "key" for trigger in scene.triggers)
        self.remote = tuple(t for t in scene.triggers if t.kind == "remote_note")
        self.divisions = tuple(ticks_of(t, scene) for t in scene.triggers if t.kind == "clock")
        self.lands_by_key = scene.clock_lost == "key"
        self.early_s = scene.early_ms / 1000.0
        self._late_s = scene.late_ms / 1000.0
        self.sample_delay_s = scene.sample_delay_ms / 1000.0
        self.regate = scene.regate
        for state in self._shared.voices.values():
            self.rule(state)

    def rule(self, state: VoiceState) -> None:
        """Let a voice sample, or follow its keys, as the hold in force says."""
        state.samples = self._shared.hold_of(state) == "sample"
        if not state.samples:
            state.sampled = state.sampled_finger = None
            state.read_due = False

    def lands_at_once(self, hold: Hold) -> bool:
        """Return whether what is asked for now does not wait: also just after a clock trigger."""
        return hold == "none" or (
            bool(self.divisions)
            and hold in UNTIL_TRIGGER
            and self._shared.now_s - self.fired_s <= self._late_s
        )

    # ------------------------------------------------------------ reading keys

    def expect_reading(self, after_s: float, regate: bool) -> None:
        """Let the voices with hold ``sample`` read their keys so much later."""
        for state in self._shared.voices.values():
            if state.samples:
                state.read_due = True
                state.regate_due = regate
                self.read_at_s = self._shared.now_s + after_s

    def read_if_due(self, outputs: Outputs, but: Container[VoiceState] = ()) -> None:
        """Let keys be read if the moment has come."""
        if self.read_at_s is not None and self.read_at_s <= self._shared.now_s:
            self.read(outputs, but)

    def read(self, outputs: Outputs, but: Container[VoiceState] = ()) -> None:
        """Let the voices that are due read their own keys, except those that a key strikes."""
        if not but:
            self.read_at_s = None
        for state in self._shared.voices.values():
            if not state.read_due or state in but:
                continue
            self._shared.current = state
            state.read_due = False
            held = state.chosen() or state.playing
            if held is None:
                continue
            self.sample(state, held)
            if state.regate_due and state.held:
                state.lane.release(outputs)
                self._player.play(state, held, outputs)
            else:
                self._player.relocate(state, outputs, glides=True)

    def struck(self, state: VoiceState, held: Held) -> None:
        """A voice with hold ``sample`` is about to be struck by a key; it may have to be read."""
        if state.sampled is None or state.read_due:
            self.sample(state, held)
            state.regate_due = False

    def sample(self, state: VoiceState, held: Held) -> None:
        """Let a voice have the pitch of a key and its wheel as they are now."""
        state.sampled = Sample(held.key, self._shared.wheel_cents(held))
        state.sampled_finger = held if held.source in self._shared.managers else None


def ticks_of(trigger: Trigger, scene: Scene) -> int:
    """Return the ticks from one clock trigger to the next, by the scene's time signature."""
    beats = trigger.every * (scene.beats_in_bar if trigger.unit == "bar" else 1)
    return max(1, int(beats * beat_ticks(scene.beat_unit)))
