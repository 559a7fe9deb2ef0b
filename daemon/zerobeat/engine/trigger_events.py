"""What fires a trigger, and what happens then: all that waits for it lands, on all voices."""

from __future__ import annotations

from collections.abc import Iterable

from .. import midi
from . import commands
from .dispatch import Dispatcher
from .engine_state import EngineState
from .hold import Triggers
from .ledger import Outputs
from .live_settings import Live
from .measuring_notes import Measuring
from .player import Player
from .voice import VoiceState


class TriggerEvents:
    """Keys, notes of other ports, the clock, pedals and commands that trigger."""

    def __init__(
        self,
        shared: EngineState,
        player: Player,
        triggers: Triggers,
        measuring: Measuring,
        live: Live,
    ) -> None:
        self._shared = shared
        self._player = player
        self._triggers = triggers
        self._measuring = measuring
        self._live = live

    def add_to(self, table: Dispatcher) -> None:
        """Handle the command that triggers."""
        table.add(commands.TriggerNow, self._now)

    def key_down(self, outputs: Outputs) -> list[VoiceState]:
        """A key of a playing input goes down; what it triggers lands first.

        Returns:
            The voices that have other settings now and are still to be moved, which a voice that
            the key strikes is not.
        """
        shared, triggers = self._shared, self._triggers
        by_key = triggers.by_key
        if shared.waiting_scene is not None and shared.waiting_hold == "note":
            self._live.land_scene(outputs)
            by_key = by_key or triggers.by_key
        if triggers.divisions and self._something_to_do():
            clock = triggers.clock
            due = clock.due_tick(triggers.divisions)
            if due is not None and clock.is_due_within(due, shared.now_s, triggers.early_s):
                clock.fired_tick = due
                triggers.fired_s = shared.now_s
                by_key = True
            by_key = by_key or (triggers.lands_by_key and clock.is_missed)
        return self._land(outputs) if by_key else []

    def remote_note(self, message: midi.NoteOn, source: str, outputs: Outputs) -> None:
        """A note of any input goes down; a scene may name it as a trigger."""
        for trigger in self._triggers.remote:
            if (
                trigger.input == source
                and trigger.channel in (None, message.channel)
                and trigger.note in (None, message.note)
            ):
                self.fire(outputs)
                return

    def clock_message(self, message: midi.Message, outputs: Outputs) -> None:
        """Count the clock of ``clock_from``; a trigger falls on every so many ticks."""
        triggers, now_s = self._triggers, self._shared.now_s
        clock = triggers.clock
        if message != midi.CLOCK:
            clock.transport(message, now_s)
            return
        due = [
            tick
            for tick in clock.tick(now_s)
            if any(tick % every == 0 for every in triggers.divisions)
        ]
        if not due:
            return
        triggers.fired_s = now_s
        if due[-1] > clock.fired_tick:
            self.fire(outputs, triggers.sample_delay_s)
        else:  # a key came early for it; another may come on the beat
            triggers.expect_reading(triggers.sample_delay_s, regate=False)
        triggers.read_if_due(outputs)

    def _now(self, command: commands.TriggerNow, outputs: Outputs) -> None:
        self.fire(outputs)
        self._triggers.read(outputs)

    def _something_to_do(self) -> bool:
        states = self._shared.voices.values()
        return any(state.samples for state in states) or self._live.waits_for_trigger()

    def fire(self, outputs: Outputs, read_after_s: float = 0.0) -> None:
        """Land all that waits for a trigger; let keys be read so much later.

        With no delay the caller reads, once the key that triggered has its voice.
        """
        self.move(self._land(outputs, read_after_s), outputs)

    def _land(self, outputs: Outputs, read_after_s: float = 0.0) -> list[VoiceState]:
        if self._measuring.running and self._live.waits_for_trigger():
            self._measuring.stop("a trigger", outputs)
        landed = self._live.land_triggered(outputs)
        self._triggers.expect_reading(read_after_s, self._triggers.regate)
        return landed

    def move(self, landed: Iterable[VoiceState], outputs: Outputs) -> None:
        """Bring voices to settings that have landed; those that sample move as they are read."""
        for state in landed:
            if not state.samples:
                self._shared.current = state
                self._player.relocate(state, outputs)
