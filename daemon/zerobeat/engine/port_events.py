"""Inputs and outputs that come and go under notes that sound, and panic."""

from __future__ import annotations

from collections.abc import Iterable

from .. import midi
from ..midi import ControlChange, PitchBend
from . import commands
from .clock import Clock
from .dispatch import Dispatcher
from .engine_state import EngineState
from .extra_sockets import ExtraSockets
from .hold import Triggers
from .keyboard import Keyboard
from .ledger import BENDS_UNKNOWN, LINK_CUT, LINK_LOST, Outputs
from .message_policy import Policy
from .mpe import Mpe
from .pedals.pedalboard import Pedals
from .player import Player
from .scenes import Scenes
from .voice import VoiceState


class PortEvents:
    """What the engine does when an input or output goes or comes back.

    Attributes:
        sensed: when an input that sends active sensing must be heard again.
    """

    def __init__(
        self,
        shared: EngineState,
        player: Player,
        policy: Policy,
        triggers: Triggers,
        keyboard: Keyboard,
        mpe: Mpe,
        scenes: Scenes,
        pedals: Pedals,
        extra: ExtraSockets,
    ) -> None:
        self._shared = shared
        self._player = player
        self._policy = policy
        self._triggers = triggers
        self._keyboard = keyboard
        self._mpe = mpe
        self._scenes = scenes
        self._pedals = pedals
        self._extra = extra
        self.sensed: dict[str, float] = {}

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands about ports."""
        table.add(commands.Panic, self._panic)
        table.add(commands.SourceLost, lambda command, out: self.source_lost(command.input, out))
        table.add(commands.OutputLost, self._output_lost)
        table.add(commands.OutputBack, self._output_back)

    @property
    def present(self) -> set[str]:
        """Return the outputs that are there."""
        return self._shared.present

    def source_lost(self, name: str, outputs: Outputs) -> None:
        """Let everything come up that an input holds down."""
        shared = self._shared
        self.sensed.pop(name, None)
        if name == shared.rig.clock_from:
            self._triggers.clock.lose()
        places = {(name, channel) for channel in range(16)}
        shared.sustained -= places
        for place in places:
            shared.wheels.pop(place, None)
        self._keyboard.keys_up(places, outputs, cut=True)
        self._mpe.source_lost(name)
        self._keyboard.portamento.forget(name)
        self._policy.release_passed(name, outputs)
        self._extra.source_lost(name, outputs)
        self._pedals.let_go(outputs, name)
        self._scenes.forget(name)

    def new_clock(self) -> None:
        """Count another input's clock from now on."""
        self._triggers.clock = Clock()

    def _output_lost(self, command: commands.OutputLost, outputs: Outputs) -> None:
        self.gone(command.output)
        outputs.append((command.output, LINK_LOST))

    def gone(self, name: str) -> None:
        """Let nothing more be sent to an output."""
        self._shared.present.discard(name)
        for lane in self._shared.ledger.of_output(name):
            lane.up = False

    def _output_back(self, command: commands.OutputBack, outputs: Outputs) -> None:
        """Note-offs for what was open at the loss, bend ranges, bends (requirement N11).

        Then, if the rig asks for it, the keys that are still down are struck: the wire lets
        the bends settle before.
        """
        name = command.output
        outputs.append((name, LINK_CUT))
        self._shared.present.add(name)
        for lane in self._shared.ledger.of_output(name):
            lane.up = True
            lane.release(outputs)
        self._policy.restore_pedals(name, outputs)
        states = [state for state in self._shared.voices.values() if state.lane.output == name]
        for state in states:
            self._player.send_bend_range(state, outputs)
        self._restore_bends(states, outputs)
        for state in states:
            self._shared.current = state
            self._player.wake_drone(state, outputs, start=True)
            held = state.playing
            strikes = self._shared.rig.on_return == "strike" and not state.voice.gate_ignored
            if strikes and held is not None and held.down and held in state.held:
                self._player.play(state, held, outputs)

    def _restore_bends(self, states: Iterable[VoiceState], outputs: Outputs) -> None:
        for state in states:
            if state.bend is not None and state.lane.up:
                outputs.append((state.lane.output, PitchBend(state.lane.channel, state.bend)))

    # ------------------------------------------------------------ releasing all

    def release_all(self, outputs: Outputs) -> None:
        """Append the note-offs of all that sounds; nothing counts as down any more."""
        shared = self._shared
        for state in shared.voices.values():
            state.held.clear()
        shared.keys.clear()
        shared.sustained.clear()
        self._pedals.cancel_presses()
        for lane in shared.ledger.all():
            lane.holders.clear()
            lane.release(outputs)
        self._policy.lift_pedals(outputs, lambda pedal: True)

    def _panic(self, command: commands.Panic, outputs: Outputs) -> None:
        """Single note-offs first, then channel messages, then bends (N4, B8)."""
        shared = self._shared
        self.release_all(outputs)
        for output in shared.rig.outputs:
            if output.panic_controllers and output.name in shared.present:
                for lane in shared.ledger.of_output(output.name):
                    for controller in (midi.ALL_NOTES_OFF, midi.ALL_SOUND_OFF):
                        change = ControlChange(lane.channel, controller, 0)
                        outputs.append((output.name, change))
        for name in sorted(shared.present):
            outputs.append((name, BENDS_UNKNOWN))
        self._restore_bends(shared.voices.values(), outputs)
        for state in shared.voices.values():
            shared.current = state
            self._player.wake_drone(state, outputs)
        self._pedals.layers_changed(outputs)
