"""Tuning messages of an input become the scale of the voices that listen to it.

They land as the hold says, like any other change of a scale. A damaged one changes nothing and
is counted by what is wrong with it. The registered parameters 3 and 4 (tuning program and bank;
MIDI Tuning Standard, 1996, p. 51) choose among the tunings that have come.
"""

from __future__ import annotations

from dataclasses import replace

from .. import midi
from ..errors import TuningMessageError
from ..tuning.midi_tuning import (
    OctaveTuning,
    ReceivedTunings,
    TuningMessage,
    read_tuning_message,
)
from ..tuning.scala import KeyboardMap
from ..tuning.scale import Scale
from ..tuning.units import MIDDLE_C
from .engine_state import EngineState
from .ledger import Outputs
from .live_settings import Live
from .message_policy import Policy
from .mpe_zones import ParameterReader
from .settings import Zone
from .undo import ChangeHistory
from .voice import Source, VoiceState

_PROGRAM, _BANK = (0, 3), (0, 4)  # registered parameter numbers, most significant first


class TuningMessages:
    """Takes system exclusive messages; those that are not about tuning go their usual way."""

    def __init__(
        self, shared: EngineState, live: Live, policy: Policy, undo: ChangeHistory
    ) -> None:
        self._shared = shared
        self._live = live
        self._policy = policy
        self._undo = undo
        self._received: dict[str, ReceivedTunings] = {}
        self._parameters: dict[Source, ParameterReader] = {}
        self._banks: dict[Source, int] = {}  # chosen, where it is not 0

    def system_exclusive(self, message: midi.SysEx, source: str, outputs: Outputs) -> None:
        """Take a message of an input."""
        states = self._voices_tuned_by(source)
        said = None
        if states:
            try:
                said = read_tuning_message(message.content)
            except TuningMessageError as error:
                self._shared.counts[f"tuning message, wrong {error}"] += 1
                self._policy.pass_system(message, "sysex", source, outputs)
                return
        if said is None:
            self._policy.system_message(message, source, outputs)
            return
        self._policy.pass_system(message, "sysex", source, outputs)
        self._land(said, states, source, outputs)

    def parameter(self, message: midi.ControlChange, source: str, outputs: Outputs) -> None:
        """Take a controller of those that choose a parameter and set it."""
        place = (source, message.channel)
        states = self._voices_tuned_by(source)
        if not states or self._policy.passes(place):
            return
        reader = self._parameters.get(place)
        if reader is None:
            reader = self._parameters[place] = ParameterReader()
        set_to = reader.hear(message.controller, message.value)
        if set_to is None or set_to.fine:
            return
        if set_to.number == _BANK:
            self._banks[place] = set_to.value
        elif set_to.number == _PROGRAM:
            received = self._received.get(source)
            place_of_tuning = (self._banks.get(place, 0), set_to.value)
            tuning = None if received is None else received.find(*place_of_tuning)
            if tuning is None:
                self._shared.counts["tuning program that never came"] += 1
                return
            played = [s for s in states if self._is_played_on(s, frozenset((message.channel,)))]
            self._change(*tuning, played, outputs)

    def _voices_tuned_by(self, source: str) -> list[VoiceState]:
        return [
            state
            for state in self._shared.voices.values()
            if (state.next_voice or state.voice).tuning_from == source
        ]

    def _land(
        self, said: TuningMessage, states: list[VoiceState], source: str, outputs: Outputs
    ) -> None:
        received = self._received.setdefault(source, ReceivedTunings())
        name, pitches = received.take(said)
        if isinstance(said, OctaveTuning):
            states = [state for state in states if self._is_played_on(state, said.channels)]
        self._change(name, pitches, states, outputs)

    def _change(
        self, name: str, pitches: tuple[float, ...], states: list[VoiceState], outputs: Outputs
    ) -> None:
        if not states:
            return
        steps = tuple(pitches[MIDDLE_C + step] - pitches[MIDDLE_C] for step in range(12))
        scale, keyboard_map = Scale(name, steps, 1200.0), KeyboardMap(name, pitches)
        self._undo.remember()
        wanted = (
            (state, replace(state.wanted_base, scale=scale, keyboard_map=keyboard_map))
            for state in states
        )
        self._live.change(wanted, outputs)

    def _is_played_on(self, state: VoiceState, channels: frozenset[int]) -> bool:
        """Return whether keys of some channels play a voice, by the zones in force."""
        zones = self._shared.scene.zones or (Zone((state.voice.name,)),)
        return any(
            state.voice.name in zone.voices
            and bool(channels.intersection(zone.channels) if zone.channels else channels)
            for zone in zones
        )
