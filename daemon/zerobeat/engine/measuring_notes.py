"""Plays voices for a client that measures them: a note and a bend, raw or corrected.

A run begins with the first ``PlayRaw`` or ``PlayPitch``. Until it ends, the
voices it has taken follow neither keys nor wheel, and every other gate is
closed. Any key that is played ends it, and plays; so does whatever else may
make a voice sound. The ledger's rules hold throughout.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from ..errors import CommandError
from ..midi import PitchBend
from ..tuning import bend, units
from . import commands
from .chain import Chain
from .ledger import Outputs
from .settings import PLAIN, Tonight
from .voice import Held, VoiceState

if TYPE_CHECKING:
    from .engine import Engine

Handler = Callable[[Any, str, Outputs], None]
STOPPED_BY: dict[type, str] = {
    commands.RecallScene: "a scene",
    commands.RecallProgram: "a scene",
    commands.StepScene: "a scene",
    commands.Revert: "a scene",
    commands.TriggerNow: "a trigger",
    commands.Panic: "panic",
    commands.Reload: "a reload",
}


class Measuring:
    """The voices that a run has taken.

    Attributes:
        running: a run has begun and not ended.
        stopped: what ended the last run, such as "a key"; "" if its client did.
        taken: voices of the run; for a drone, the key it has again afterwards.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.running = False
        self.stopped = ""
        self.taken: dict[str, Held | None] = {}

    def handlers(self) -> dict[type, Handler]:
        """Return what serves each command of a run."""
        return {
            commands.PlayRaw: self._play_raw,
            commands.PlayPitch: self._play_pitch,
            commands.ReleaseVoice: self._release,
        }

    def guard(self, handlers: dict[type, Handler]) -> None:
        """Let a run end before each command that could make a voice sound, or take it away."""
        for kind, why in STOPPED_BY.items():
            handlers[kind] = self._stopping(handlers[kind], why)
        for kind in (commands.OutputLost, commands.OutputBack):
            handlers[kind] = self._cut(handlers[kind])

    def _cut(self, handler: Handler) -> Handler:
        """Return a handler after which a run is over whose output was lost, or is new."""

        def handle(command: Any, source: str, outputs: Outputs) -> None:
            handler(command, source, outputs)  # first: it knows what may still be sent
            if any(
                self._engine.live.state(name).lane.output == command.output for name in self.taken
            ):
                self.stop(f"the loss of {command.output}", outputs)

        return handle

    def _stopping(self, handler: Handler, why: str) -> Handler:
        def handle(command: Any, source: str, outputs: Outputs) -> None:
            if self.running:
                self.stop(why, outputs)
            handler(command, source, outputs)

        return handle

    # ------------------------------------------------------------ playing

    def _play_raw(self, command: commands.PlayRaw, source: str, outputs: Outputs) -> None:
        state = self._engine.live.state(command.voice)
        reach = state.voice.bend_range_cents
        if not 0 <= command.note <= 127:
            raise CommandError(f"note: found {command.note}; allowed: 0 to 127")
        if not abs(command.bend_cents) <= reach:
            raise CommandError(
                f"bend_cents: found {command.bend_cents:g}; allowed for {command.voice}: "
                f"{-reach:g} to {reach:g}"
            )
        steps = bend.cents_to_bend(command.bend_cents, reach)
        self._sound(state, command.note, steps, command.velocity, command.strike, outputs)

    def _play_pitch(self, command: commands.PlayPitch, source: str, outputs: Outputs) -> None:
        state = self._engine.live.state(command.voice)
        tonight = Tonight(touch_up=self._engine.live.tonight.touch_up)
        rest = Chain(state.voice, PLAIN, tonight).place(command.pitch_cents)
        if rest is None:
            name = units.name_of_note(round(command.pitch_cents / 100.0))
            raise CommandError(f"{command.voice}: {name} is out of its converter's reach")
        self._sound(state, rest.note, rest.bend, command.velocity, command.strike, outputs)

    def _sound(
        self,
        state: VoiceState,
        note: int,
        steps: int,
        velocity: int,
        strike: bool,
        outputs: Outputs,
    ) -> None:
        lane = state.lane
        if not lane.up:
            raise CommandError(f"{state.voice.name}: its converter {lane.output} is not there")
        self._begin()
        self._take(state)
        self._engine.current = state
        state.bend, was = steps, state.bend
        if lane.notes == [note] and not strike:
            if steps != was:
                outputs.append((lane.output, PitchBend(lane.channel, steps)))
            return
        lane.release(outputs)
        state.note = note
        outputs.append((lane.output, PitchBend(lane.channel, steps)))
        lane.on(note, velocity, outputs)

    def _begin(self) -> None:
        if self.running:
            return
        for state in self._engine.states.values():
            if state.held:
                raise CommandError(
                    f"{state.voice.name} holds a key; release every key and pedal, then measure"
                )
        self.running = True
        self.stopped = ""

    def _take(self, state: VoiceState) -> None:
        """Let a voice follow neither wheel nor settings until the run ends."""
        if state.voice.gate_ignored and state.playing is not None:
            self.taken[state.voice.name] = state.playing
        else:
            self.taken.setdefault(state.voice.name, None)
        state.playing = None
        state.target_cents = state.commanded_cents = None
        state.out_of_reach = state.move_waits = state.wheel_clamped = False

    # ------------------------------------------------------------ the end

    def _release(self, command: commands.ReleaseVoice, source: str, outputs: Outputs) -> None:
        if command.voice is None:
            self.stop("", outputs)
            return
        state = self._engine.live.state(command.voice)
        if command.voice in self.taken:
            self._engine.current = state
            state.lane.release(outputs)

    def stop(self, why: str, outputs: Outputs) -> None:
        """End the run: close its gates, and give drones their keys again."""
        taken, self.taken = self.taken, {}
        self.running, self.stopped = False, why
        for name, held in taken.items():
            state = self._engine.states.get(name)
            if state is None:
                continue
            self._engine.current = state
            state.lane.release(outputs)
            if held is not None and state.playing is None:
                self._engine.player.sound_drone(state, held, outputs)
