"""Ports come and go under notes that sound; panic; drones that wake again."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from .. import midi
from ..midi import ControlChange, PitchBend
from . import commands
from .ledger import Outputs
from .player import START_SOURCE
from .voice import Held, VoiceState
from .wire import BENDS_UNKNOWN, LINK_CUT, LINK_LOST

if TYPE_CHECKING:
    from .engine import Engine


class Links:
    """What the engine does when an input or output goes or comes back.

    Attributes:
        present: the outputs that are there.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.present: set[str] = set()

    def handlers(self) -> dict[type, Callable[[Any, str, Outputs], None]]:
        """Return what serves each command about ports."""
        return {
            commands.Panic: self.panic,
            commands.SourceLost: self.source_lost,
            commands.OutputLost: self.output_lost,
            commands.OutputBack: self.output_back,
        }

    def source_lost(self, command: commands.SourceLost, source: str, outputs: Outputs) -> None:
        name = command.input
        self._engine.sensed.pop(name, None)
        if name == self._engine.rig.clock_from:
            self._engine.triggers.clock.lose()
        places = {(name, channel) for channel in range(16)}
        self._engine.keyboard.sustained -= places
        for place in places:
            self._engine.player.wheels.pop(place, None)
        self._engine.keyboard.keys_up(places, outputs, cut=True)
        self._engine.policy.release_passed(name, outputs)
        self._engine.pedals.let_go(outputs, name)
        self._engine.scenes.forget(name)

    def output_lost(self, command: commands.OutputLost, source: str, outputs: Outputs) -> None:
        self.present.discard(command.output)
        for lane in self._engine.ledger.of_output(command.output):
            lane.up = False
        outputs.append((command.output, LINK_LOST))

    def output_back(self, command: commands.OutputBack, source: str, outputs: Outputs) -> None:
        """Note-offs for what was open at the loss, bend ranges, bends (requirement N11)."""
        name = command.output
        outputs.append((name, LINK_CUT))
        self.present.add(name)
        lanes = self._engine.ledger.of_output(name)
        for lane in lanes:
            lane.up = True
            lane.release(outputs)
        states = [state for state in self._engine.states.values() if state.lane.output == name]
        for state in states:
            self.send_bend_range(state, outputs)
        self._restore_bends(states, outputs)
        for state in states:
            self._engine.current = state
            self.wake_drone(state, outputs, start=True)

    def _restore_bends(self, states: Iterable[VoiceState], outputs: Outputs) -> None:
        for state in states:
            if state.bend is not None and state.lane.up:
                outputs.append((state.lane.output, PitchBend(state.lane.channel, state.bend)))

    def wake_drone(self, state: VoiceState, outputs: Outputs, start: bool = False) -> None:
        """Give a drone its key again; with ``start`` the scene's start key, if it has one."""
        if not state.voice.gate_ignored:
            return
        held = state.playing
        if start and state.settings.start_key is not None and not state.held:
            held = Held(START_SOURCE, state.settings.start_key, midi.NOTE_OFF_VELOCITY)
        if held is not None and not state.lane.notes:
            self._engine.player.sound_drone(state, held, outputs)

    def panic(self, command: commands.Panic, source: str, outputs: Outputs) -> None:
        """Single note-offs first, then channel messages, then bends (N4, B8)."""
        outputs += self._engine.release_all()
        for output in self._engine.rig.outputs:
            if output.panic_controllers and output.name in self.present:
                for lane in self._engine.ledger.of_output(output.name):
                    for controller in (midi.ALL_NOTES_OFF, midi.ALL_SOUND_OFF):
                        change = ControlChange(lane.channel, controller, 0)
                        outputs.append((output.name, change))
        for name in sorted(self.present):
            outputs.append((name, BENDS_UNKNOWN))
        self._restore_bends(self._engine.states.values(), outputs)
        for state in self._engine.states.values():
            self._engine.current = state
            self.wake_drone(state, outputs)

    def send_bend_range(self, state: VoiceState, outputs: Outputs) -> None:
        """Append RPN 0 for a voice's channel where the converter takes it (B3)."""
        lane = state.lane
        if not lane.up or not self._engine.output(lane.output).converter.sends_bend_range:
            return
        semitones, cents = divmod(round(state.voice.bend_range_cents), 100)
        for change in midi.bend_range_messages(lane.channel, semitones, cents):
            outputs.append((lane.output, change))
