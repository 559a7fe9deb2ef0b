"""What happens to every message that is not a key, the wheel or sustain.

| class | from a playing input |
| --- | --- |
| clock, transport | counted by ``hold.Triggers``; passed to outputs that list the class, from ``clock_from`` alone |
| controllers, pressure, program | to the channels of the voices the zone plays, where listed |
| parameter numbers (RPN, NRPN) and data entry | never passed: they would change a bend range |
| SysEx, active sensing | passed where listed |
| anything on a passed-through channel | passed as it is to that channel of that output |

What is not passed is dropped and counted by class (requirement M10).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .. import midi
from ..midi import ControlChange, Message, NoteOff, NoteOn
from .ledger import Outputs
from .voice import Source

if TYPE_CHECKING:
    from .engine import Engine

_PARAMETER_CONTROLLERS = frozenset((6, 38, 96, 97, 98, 99, 100, 101))
_TRANSPORT = frozenset((0xFA, 0xFB, 0xFC))
_CLASS_OF = {
    midi.ProgramChange: "program",
    midi.ChannelPressure: "pressure",
    midi.PolyPressure: "pressure",
    ControlChange: "controllers",
    midi.PitchBend: "controllers",
    midi.SysEx: "sysex",
    midi.SongPosition: "transport",
}


class Policy:
    """The rig's rules for other messages, looked up once at load."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.refresh()

    def refresh(self) -> None:
        """Read the rules of the rig in force."""
        rig = self._engine.rig
        self.wheel_cents = {i.name: i.wheel_cents for i in rig.inputs if i.plays}
        self.watched = frozenset(i.name for i in rig.inputs if i.active_sensing)
        self._clock_from = rig.clock_from
        self._through = {
            channel: [output.name for output in rig.outputs if channel in output.pass_channels]
            for channel in range(16)
        }
        self._classes = {
            output.name: frozenset(output.pass_classes)
            for output in rig.outputs
            if output.pass_classes
        }

    def passes(self, place: Source) -> bool:
        """True if a channel of an input goes through untouched."""
        return bool(self._through[place[1]]) and place[0] in self.wheel_cents

    def pass_note_on(self, message: NoteOn, place: Source, outputs: Outputs) -> bool:
        """Pass a key of a passed-through channel; True if it was one."""
        if place[0] not in self.wheel_cents:
            return True  # a pedalboard's notes never sound
        names = self._through[place[1]]
        for name in names:
            lane = self._engine.ledger.lane(name, message.channel)
            lane.up = name in self._engine.links.present
            lane.press(message.note, message.velocity, place, outputs)
        return bool(names)

    def pass_note_off(self, message: NoteOff, place: Source, outputs: Outputs) -> bool:
        """Pass a note-off; True if the note went through untouched.

        A key that went down before a reload passed its channel is not ours.
        """
        names = self._through[place[1]]
        for name in names:
            self._engine.ledger.lane(name, message.channel).lift(message.note, place, outputs)
        return bool(names) and (place, message.note) not in self._engine.keyboard.keys

    def release_passed(self, name: str, outputs: Outputs) -> None:
        """Let go all passed-through keys of an input that is lost."""
        for lane in self._engine.ledger.all():
            for note, holders in tuple(lane.holders.items()):
                for holder in tuple(holders):
                    if holder[0] == name:
                        lane.lift(note, holder, outputs)

    def channel_message(self, message: Any, source: str, outputs: Outputs) -> None:
        """Pass or drop a controller, pressure or program change."""
        place = (source, message.channel)
        kind = _CLASS_OF[type(message)]
        if source not in self.wheel_cents:
            self._engine.counts[kind] += 1
            return
        names = self._through[message.channel]
        if names:
            for name in names:
                if name in self._engine.links.present:
                    outputs.append((name, message))
            return
        parameter = type(message) is ControlChange and message.controller in _PARAMETER_CONTROLLERS
        passed = False
        if self._classes and not parameter:
            passed = self._to_voices(message, place, kind, outputs)
        if not passed:
            self._engine.counts["parameters" if parameter else kind] += 1

    def _to_voices(self, message: Any, place: Source, kind: str, outputs: Outputs) -> bool:
        passed = False
        for state in self._engine.assigner.voices_of(place):
            lane = state.lane
            if lane.up and kind in self._classes.get(lane.output, ()):
                outputs.append((lane.output, _on_channel(message, lane.channel)))
                passed = True
        return passed

    def system_message(self, message: Message, source: str, outputs: Outputs) -> None:
        """Pass or drop clock, transport, SysEx and active sensing."""
        kind = _CLASS_OF.get(type(message)) or _system_class(message)
        timed = kind in ("clock", "transport")
        passed = False
        if self._classes and (source == self._clock_from if timed else source in self.wheel_cents):
            for name, classes in self._classes.items():
                if kind in classes and name in self._engine.links.present:
                    outputs.append((name, message))
                    passed = True
        if not passed and not (timed and source == self._clock_from):
            self._engine.counts[kind] += 1


def _system_class(message: Any) -> str:
    if message.status == 0xF8:
        return "clock"
    if message.status in _TRANSPORT:
        return "transport"
    return "active_sensing" if message.status == 0xFE else "other system"


def _on_channel(message: Any, channel: int) -> Message:
    kind = type(message)
    if kind is ControlChange:
        return ControlChange(channel, message.controller, message.value)
    if kind is midi.ProgramChange:
        return midi.ProgramChange(channel, message.program)
    if kind is midi.ChannelPressure:
        return midi.ChannelPressure(channel, message.value)
    return midi.PolyPressure(channel, message.note, message.value)
