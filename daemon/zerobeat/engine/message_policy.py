"""What happens to every message that is not a key, the wheel or sustain.

| class | from a playing input |
| --- | --- |
| clock, transport | counted; passed from ``clock_from`` alone, where an output lists the class |
| controllers, pressure, program | to the channels of the voices that hear it, where listed |
| parameter numbers (RPN, NRPN) and data entry | never passed: they would change a bend range |
| SysEx, active sensing | passed where listed |
| anything on a passed-through channel | passed as it is to that channel of that output |

What is not passed is dropped and counted by class (requirement M10).
"""

from __future__ import annotations

from collections.abc import Callable, Container

from .. import midi
from ..midi import (
    ChannelPressure,
    ControlChange,
    Message,
    NoteOff,
    NoteOn,
    PitchBend,
    PolyPressure,
    ProgramChange,
    SongPosition,
    System,
)
from .assign import Assigner
from .engine_state import EngineState
from .ledger import Outputs
from .response import Response
from .voice import Source

PassedPedal = tuple[Source, int]  # input and channel, with the controller

ChannelMessage = ControlChange | ProgramChange | ChannelPressure | PolyPressure | PitchBend

_TRANSPORT = frozenset((0xFA, 0xFB, 0xFC))
_CLASS_OF: dict[type, str] = {
    ProgramChange: "program",
    ChannelPressure: "pressure",
    PolyPressure: "pressure",
    ControlChange: "controllers",
    PitchBend: "controllers",
    midi.SysEx: "sysex",
    SongPosition: "transport",
}


class Policy:
    """The rig's rules for other messages, looked up once at load.

    Attributes:
        wheel_cents: reach of the wheel, by input that plays.
        only_channel: the one channel that an input is listened to on.
        watched: inputs whose active sensing counts.
        tuning_controllers: that may choose a tuning, where a voice listens to an input's tunings.
        responses: curves of inputs that have some.
        pedals_down: pedals that hold notes and were passed on while down, with where they went.
    """

    def __init__(self, shared: EngineState, assigner: Assigner) -> None:
        self._shared = shared
        self._assigner = assigner
        self.pedals_down: dict[PassedPedal, set[tuple[str, int]]] = {}
        # Output, channel and controller of each pedal that was ever passed down: its release may
        # have been lost on the way, with the cable, so it is sent again when the output is back.
        self._held_receivers: set[tuple[str, int, int]] = set()
        self.refresh()

    def refresh(self) -> None:
        """Read the rules of the rig in force."""
        rig = self._shared.rig
        self.wheel_cents = {i.name: i.wheel_cents for i in rig.inputs if i.plays}
        self.watched = frozenset(i.name for i in rig.inputs if i.active_sensing)
        tuned = any(voice.tuning_from is not None for voice in rig.voices)
        self.tuning_controllers = midi.PARAMETER_CONTROLLERS if tuned else frozenset[int]()
        self.only_channel = {i.name: i.channel for i in rig.inputs if i.channel is not None}
        self.responses = {
            # Of an input that plays no notes the pedals alone count; its lights may come back.
            i.name: i.response if i.plays else Response(pedals=i.response.pedals)
            for i in rig.inputs
            if i.response is not None
        }
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

    def respond(self, message: Message, source: str) -> Message:
        """Return what a message is by the curves of its input; what is passed through stays."""
        response = self.responses.get(source)
        if response is None or self.passes((source, getattr(message, "channel", 0))):
            return message
        return response.of(message)

    def passes(self, place: Source) -> bool:
        """True if a channel of an input goes through untouched."""
        return bool(self._through[place[1]]) and place[0] in self.wheel_cents

    def listed(self, output: str, kind: str) -> bool:
        """Return whether an output lists a class of messages."""
        return kind in self._classes.get(output, ())

    def pass_note_on(self, message: NoteOn, place: Source, outputs: Outputs) -> bool:
        """Pass a key of a passed-through channel; True if it was one."""
        if place[0] not in self.wheel_cents:
            return True  # a pedalboard's notes never sound
        names = self._through[place[1]]
        for name in names:
            lane = self._shared.ledger.lane(name, message.channel)
            lane.up = name in self._shared.present
            lane.press(message.note, message.velocity, place, outputs)
        return bool(names)

    def pass_note_off(self, message: NoteOff, place: Source, outputs: Outputs) -> bool:
        """Pass a note-off; True if the note went through untouched.

        A key that went down before a reload passed its channel is not ours.
        """
        names = self._through[place[1]]
        for name in names:
            self._shared.ledger.lane(name, message.channel).lift(message.note, place, outputs)
        return bool(names) and (place, message.note) not in self._shared.keys

    def lift_passed(self, place: Source, note: int, outputs: Outputs) -> None:
        """Let go one key that was passed through."""
        for name in self._through[place[1]]:
            self._shared.ledger.lane(name, place[1]).lift(note, place, outputs)

    def lift_pedals(self, outputs: Outputs, gone: Callable[[PassedPedal], bool]) -> None:
        """Let those pedals come up that were passed on while down, and say no more that they do."""
        for pedal in sorted(pedal for pedal in self.pedals_down if gone(pedal)):
            for name, channel in sorted(self.pedals_down.pop(pedal)):
                self._lift_pedal(name, channel, pedal[1], outputs)

    def lift_pedals_at(self, name: str, channels: Container[int], outputs: Outputs) -> None:
        """Let pedals come up at some channels of an output, which hear them no more."""
        for pedal, places in sorted(self.pedals_down.items()):
            for place in sorted(place for place in places if place[0] == name):
                if place[1] in channels:
                    places.discard(place)
                    self._lift_pedal(*place, pedal[1], outputs)

    def _lift_pedal(self, name: str, channel: int, controller: int, outputs: Outputs) -> None:
        """Let a pedal come up at a receiver, unless another input holds it down there."""
        others = (at for (_, other), at in self.pedals_down.items() if other == controller)
        if name in self._shared.present and not any((name, channel) in at for at in others):
            outputs.append((name, ControlChange(channel, controller, 0)))

    def restore_pedals(self, name: str, outputs: Outputs) -> None:
        """Let pedals come up at an output that is back, unless they are down now."""
        down = {(*place, pedal[1]) for pedal, at in self.pedals_down.items() for place in at}
        for receiver in sorted(self._held_receivers - down):
            if receiver[0] == name:
                self._lift_pedal(*receiver, outputs)

    def _heard_pedal(
        self,
        message: ControlChange,
        place: Source,
        receivers: list[tuple[str, int]],
        outputs: Outputs,
    ) -> None:
        """Note where a pedal that holds notes is down.

        One that comes up does so wherever it is down: zones and outputs may have changed since.
        """
        if message.controller == midi.RESET_CONTROLLERS:
            for controller in midi.HOLDING_PEDALS:  # the receivers reset their own
                self._pedal_up((place, controller), receivers, outputs)
        if message.controller not in midi.HOLDING_PEDALS:
            return
        pedal = (place, message.controller)
        if message.value < midi.PRESSED:
            self._pedal_up(pedal, receivers, outputs)
            return
        self.pedals_down.setdefault(pedal, set()).update(receivers)
        present = [one for one in receivers if one[0] in self._shared.present]
        self._held_receivers.update((*one, message.controller) for one in present)

    def _pedal_up(self, pedal: PassedPedal, told: list[tuple[str, int]], outputs: Outputs) -> None:
        for name, channel in sorted(self.pedals_down.pop(pedal, set()).difference(told)):
            self._lift_pedal(name, channel, pedal[1], outputs)

    def release_passed(self, name: str, outputs: Outputs) -> None:
        """Let go all passed-through keys and pedals of an input that is lost."""
        self.lift_pedals(outputs, lambda pedal: pedal[0][0] == name)
        for lane in self._shared.ledger.all():
            for note, holders in tuple(lane.holders.items()):
                for holder in sorted(holders):
                    if holder[0] == name:
                        lane.lift(note, holder, outputs)

    def channel_message(self, message: ChannelMessage, source: str, outputs: Outputs) -> None:
        """Pass or drop a controller, pressure or program change."""
        place = (source, message.channel)
        kind = _CLASS_OF[type(message)]
        if source not in self.wheel_cents:
            self._shared.counts[kind] += 1
            return
        names = self._through[message.channel]
        if names:
            for name in names:
                if name in self._shared.present:
                    outputs.append((name, message))
            if type(message) is ControlChange:
                self._heard_pedal(message, place, [(n, message.channel) for n in names], outputs)
            return
        parameter = (
            type(message) is ControlChange and message.controller in midi.PARAMETER_CONTROLLERS
        )
        passed = False
        if self._classes and not parameter:
            passed = self._to_voices(message, place, kind, outputs)
        if not passed:
            self._shared.counts["parameters" if parameter else kind] += 1

    def _to_voices(
        self, message: ChannelMessage, place: Source, kind: str, outputs: Outputs
    ) -> bool:
        passed: list[tuple[str, int]] = []
        for state in self._assigner.voices_of(place):
            lane = state.lane
            if lane.up and self.listed(lane.output, kind):
                response = state.voice.response
                own = message if response is None else response.of(message)
                outputs.append((lane.output, _on_channel(own, lane.channel)))
                passed.append((lane.output, lane.channel))
        if type(message) is ControlChange:
            self._heard_pedal(message, place, passed, outputs)
        return bool(passed)

    def system_message(
        self, message: System | SongPosition | midi.SysEx, source: str, outputs: Outputs
    ) -> None:
        """Pass or drop clock, transport, SysEx and active sensing."""
        kind = _system_class(message) if type(message) is System else _CLASS_OF[type(message)]
        timed = kind in ("clock", "transport")
        passed = self.pass_system(message, kind, source, outputs)
        if not passed and not (timed and source == self._clock_from):
            self._shared.counts[kind] += 1

    def pass_system(
        self,
        message: System | SongPosition | midi.SysEx,
        kind: str,
        source: str,
        outputs: Outputs,
    ) -> bool:
        """Pass a system message to the outputs that list its class; return whether any does."""
        timed = kind in ("clock", "transport")
        passed = False
        if self._classes and (source == self._clock_from if timed else source in self.wheel_cents):
            for name, classes in self._classes.items():
                if kind in classes and name in self._shared.present:
                    outputs.append((name, message))
                    passed = True
        return passed


def _system_class(message: System) -> str:
    if message.status == 0xF8:
        return "clock"
    if message.status in _TRANSPORT:
        return "transport"
    return "active_sensing" if message.status == 0xFE else "other system"


def _on_channel(message: Message, channel: int) -> Message:
    if type(message) is ControlChange:
        return ControlChange(channel, message.controller, message.value)
    if type(message) is ProgramChange:
        return ProgramChange(channel, message.program)
    if type(message) is ChannelPressure:
        return ChannelPressure(channel, message.value)
    if type(message) is PolyPressure:
        return PolyPressure(channel, message.note, message.value)
    return message  # a pedalboard's wheel; wheels of playing inputs never come here
