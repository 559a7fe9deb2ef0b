"""Plays voices for a client that measures them: a note and a bend, raw or corrected.

A run begins with the first ``PlayRaw`` or ``PlayPitch``. Until it ends, the
voices it has taken follow neither keys nor wheel, and every other gate is
closed. Any key that is played ends it, and plays; so does whatever else may
make a voice sound. The ledger's rules hold throughout.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from ..errors import CommandError
from ..midi import PitchBend
from ..tuning import bend, units
from . import commands
from .chain import Chain, Rest
from .dispatch import Dispatcher
from .engine_state import EngineState
from .ledger import Outputs
from .limits import PLAYED_PITCH_CENTS, PLAYED_VELOCITY
from .player import Player
from .settings import PLAIN, Tonight
from .voice import Held, VoiceState

MeasuringAct = Callable[[commands.Command, Outputs], None]
P = TypeVar("P", commands.OutputLost, commands.OutputBack)
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

    def __init__(self, shared: EngineState, player: Player) -> None:
        self._shared = shared
        self._player = player
        self.running = False
        self.stopped = ""
        self.taken: dict[str, Held | None] = {}

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands of a run."""
        table.add(commands.PlayRaw, self._play_raw, self._check_raw)
        table.add(commands.PlayPitch, self._play_pitch, self._check_pitch)
        table.add(commands.ReleaseVoice, self._release, self._check_release)

    def guard(self, table: Dispatcher) -> None:
        """Let a run end before each command that could make a voice sound, or take it away."""
        for kind, why in STOPPED_BY.items():
            table.wrap(kind, self._stopping(why))
        table.wrap(commands.OutputLost, self._cut)
        table.wrap(commands.OutputBack, self._cut)

    def _cut(self, act: Callable[[P, Outputs], None]) -> Callable[[P, Outputs], None]:
        """Return an act after which a run is over whose output was lost, or is new."""

        def cut(command: P, outputs: Outputs) -> None:
            act(command, outputs)  # first: it knows what may still be sent
            voices = self._shared.voices
            if any(voices[name].lane.output == command.output for name in self.taken):
                self.stop(f"the loss of {command.output}", outputs)

        return cut

    def _stopping(self, why: str) -> Callable[[MeasuringAct], MeasuringAct]:
        def around(act: MeasuringAct) -> MeasuringAct:
            def stop_then_act(command: commands.Command, outputs: Outputs) -> None:
                if self.running:
                    self.stop(why, outputs)
                act(command, outputs)

            return stop_then_act

        return around

    # ------------------------------------------------------------ playing

    def _check_raw(self, command: commands.PlayRaw) -> None:
        state = self._shared.voice(command.voice)
        reach = (state.next_voice or state.voice).bend_range_cents
        if not 0 <= command.note <= 127:
            raise CommandError(f"note: found {command.note}; allowed: 0 to 127")
        if not abs(command.bend_cents) <= reach:
            raise CommandError(
                f"bend_cents: found {command.bend_cents:g}; allowed for {command.voice}: "
                f"{-reach:g} to {reach:g}"
            )
        self._check_free(state, command.velocity)

    def _play_raw(self, command: commands.PlayRaw, outputs: Outputs) -> None:
        state = self._ready(command.voice, outputs)
        steps = bend.cents_to_bend(command.bend_cents, state.voice.bend_range_cents)
        self._sound(state, command.note, steps, command, outputs)

    def _check_pitch(self, command: commands.PlayPitch) -> Rest:
        state = self._shared.voice(command.voice)
        if command.pitch_cents not in PLAYED_PITCH_CENTS:
            raise CommandError(
                f"pitch_cents: found {command.pitch_cents:g}; allowed: {PLAYED_PITCH_CENTS}"
            )
        tonight = Tonight(touch_up=self._shared.tonight.touch_up)
        rest = Chain(state.next_voice or state.voice, PLAIN, tonight).place(command.pitch_cents)
        if rest is None:
            name = units.name_of_note(round(command.pitch_cents / 100.0))
            raise CommandError(f"{command.voice}: {name} is out of its converter's reach")
        self._check_free(state, command.velocity)
        return rest

    def _play_pitch(self, command: commands.PlayPitch, outputs: Outputs) -> None:
        rest = self._check_pitch(command)
        state = self._ready(command.voice, outputs)
        self._sound(state, rest.note, rest.bend, command, outputs)

    def _ready(self, voice: str, outputs: Outputs) -> VoiceState:
        """Return a voice with its newest profile, for which its channel has to be silent."""
        state = self._shared.voice(voice)
        if state.next_voice is not None:
            self._shared.current = state
            state.lane.release(outputs)
            self._player.adopt(state, outputs)
        return state

    def _check_free(self, state: VoiceState, velocity: int) -> None:
        """Refuse a voice that can't be sounded now."""
        if velocity not in PLAYED_VELOCITY:
            raise CommandError(f"velocity: found {velocity}; allowed: {PLAYED_VELOCITY}")
        if not state.lane.up:
            output = state.lane.output
            raise CommandError(f"{state.voice.name}: its converter {output} is not there")
        if self.running:
            return
        for other in self._shared.voices.values():
            if other.held:
                raise CommandError(
                    f"{other.voice.name} holds a key; release every key and pedal first"
                )

    def _sound(
        self,
        state: VoiceState,
        note: int,
        steps: int,
        command: commands.PlayRaw | commands.PlayPitch,
        outputs: Outputs,
    ) -> None:
        lane = state.lane
        if not self.running:
            self.running = True
            self.stopped = ""
        self._take(state)
        self._shared.current = state
        state.bend, was = steps, state.bend
        if lane.notes == [note] and not command.strike:
            if steps != was:
                outputs.append((lane.output, PitchBend(lane.channel, steps)))
            return
        lane.release(outputs)
        state.note = note
        outputs.append((lane.output, PitchBend(lane.channel, steps)))
        lane.on(note, command.velocity, outputs)

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

    def _check_release(self, command: commands.ReleaseVoice) -> None:
        if command.voice is not None:
            self._shared.voice(command.voice)

    def _release(self, command: commands.ReleaseVoice, outputs: Outputs) -> None:
        if command.voice is None:
            self.stop("", outputs)
        elif command.voice in self.taken:
            state = self._shared.voice(command.voice)
            self._shared.current = state
            state.lane.release(outputs)
            self._player.adopt(state, outputs)

    def stop(self, why: str, outputs: Outputs) -> None:
        """End the run: close its gates, and give drones their keys again."""
        taken, self.taken = self.taken, {}
        self.running, self.stopped = False, why
        for name, held in taken.items():
            state = self._shared.voices.get(name)
            if state is None:
                continue
            self._shared.current = state
            state.lane.release(outputs)
            self._player.adopt(state, outputs)
            if held is not None and state.playing is None:
                self._player.sound_drone(state, held, outputs)
