"""MPE keyboards: each finger a channel of its own, each note a voice of its own.

The bend of a note is its finger's place times the members' range plus the zone's wheel times the
manager's range; it is kept as the wheel of the finger's channel (``EngineState.wheels``), so all
that a wheel does, a finger does. What counts on the manager's channel alone is dropped from a
finger's: pedals, mode messages, programs and banks. Channels outside every zone are a plain
keyboard's.

Source: RP-053, MIDI Polyphonic Expression 1.0 (2018); see ``mpe_zones``. Pressure and controller
74 of finger and zone together are an own choice: the larger pressure, the sum of the distances
of 74 from its middle.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from .. import midi
from ..midi import ChannelPressure, ControlChange, Message, NoteOn, PitchBend, PolyPressure
from . import commands
from .assign import Assigner
from .dispatch import Dispatcher
from .engine_state import EngineState
from .glide_controls import FROM_KEY, TIME
from .keyboard import Keyboard
from .ledger import OnlyNewest, Outputs
from .message_policy import Policy
from .mpe_zones import (
    BEND_RANGE,
    CHANNEL_PRESSURE,
    CONFIGURATION,
    LOWER,
    MANAGER_CENTS,
    MEMBER_CENTS,
    MOST_MEMBERS,
    MOST_SEMITONES,
    UPPER,
    MpeSettings,
    Parameter,
    ParameterReader,
    ZoneSizes,
    members_of,
)
from .voice import Held, VoiceState

SLIDE_MIDDLE = 64
# Sustain, portamento, sostenuto, soft, legato and hold pedals, banks, and mode messages.
MANAGER_ONLY = frozenset((*midi.BANK_CONTROLLERS, *range(64, 70), *midi.MODE_CONTROLLERS))


class Finger:
    """What one channel of an MPE keyboard has sent last."""

    __slots__ = ("bend", "pressure", "slide", "key_pressures", "parameters")

    def __init__(self) -> None:
        self.parameters = ParameterReader()
        self.key_pressures: dict[float, int] = {}  # a manager's alone, by key
        self.rest()

    def rest(self) -> None:
        """Reset its controllers."""
        self.bend = self.pressure = 0
        self.slide = SLIDE_MIDDLE
        self.key_pressures.clear()


class MpeKeyboard:
    """One MPE keyboard: its zones, its bend ranges, and its fingers by channel."""

    def __init__(self, settings: MpeSettings) -> None:
        self.settings = settings
        self.sizes = ZoneSizes(settings.lower_members, settings.upper_members)
        self.member_cents = dict.fromkeys((LOWER, UPPER), settings.member_cents)
        self.manager_cents = dict.fromkeys((LOWER, UPPER), settings.manager_cents)
        self.fingers = [Finger() for _ in range(16)]
        self.manager_of: dict[int, int] = {}  # by channel, a manager's own included
        self.read_zones()

    def read_zones(self) -> None:
        """Read which channel belongs to which zone."""
        self.manager_of.clear()
        for manager in (LOWER, UPPER):
            count = self.sizes.of(manager)
            if count:
                channels = (manager, *members_of(manager, count))
                self.manager_of |= dict.fromkeys(channels, manager)

    def channels(self, manager: int) -> tuple[int, ...]:
        """Return the channels of a zone, the manager's first; () if there is no such zone."""
        count = self.sizes.of(manager)
        return (manager, *members_of(manager, count)) if count else ()

    def cents(self, channel: int) -> float:
        """Return the bend of notes on a channel of a zone."""
        manager = self.manager_of[channel]
        cents = _share(self.fingers[manager].bend) * self.manager_cents[manager]
        if channel != manager:
            cents += _share(self.fingers[channel].bend) * self.member_cents[manager]
        return cents

    def pressure(self, channel: int, key: float) -> int:
        """Return the pressure on a note of a channel."""
        finger, zone = self.fingers[channel], self.fingers[self.manager_of[channel]].pressure
        return max(finger.pressure, zone, finger.key_pressures.get(key, 0))

    def slide(self, channel: int) -> int:
        """Return controller 74 for notes of a channel."""
        manager = self.manager_of[channel]
        value = self.fingers[channel].slide
        if channel != manager:
            value += self.fingers[manager].slide - SLIDE_MIDDLE
        return max(0, min(127, value))


def _share(bend: int) -> float:
    """Return a bend as a part of its range, -1 to 1 (RP-053, appendix C)."""
    return bend / (8191 if bend > 0 else 8192)


class Mpe:
    """What the engine does with messages of MPE keyboards.

    Attributes:
        keyboards: by input; empty in a rig without one.
    """

    def __init__(
        self,
        shared: EngineState,
        keyboard: Keyboard,
        assigner: Assigner,
        policy: Policy,
    ) -> None:
        self._shared = shared
        self._keyboard = keyboard
        self._assigner = assigner
        self._policy = policy
        self.keyboards: dict[str, MpeKeyboard] = {}
        self._sent: dict[str, dict[int, int]] = {}  # by voice and target, its last value
        self._rests: dict[int, int] = {}  # by target, what notes of plain keyboards have
        self.refresh()

    def guard(self, table: Dispatcher) -> None:
        """Notice outputs that are new."""
        table.wrap(commands.OutputBack, self._output_back)

    def _output_back(
        self, act: Callable[[commands.OutputBack, Outputs], None]
    ) -> Callable[[commands.OutputBack, Outputs], None]:
        def back(command: commands.OutputBack, outputs: Outputs) -> None:
            """Nothing is known of the controllers of an output that is new."""
            for state in self._shared.voices.values():
                if state.lane.output == command.output:
                    self._sent.pop(state.voice.name, None)
            act(command, outputs)

        return back

    def refresh(self) -> None:
        """Read the rig's MPE keyboards; one whose settings stay keeps its zones and fingers."""
        before = dict(self.keyboards)
        self.keyboards.clear()  # the engine knows this one
        for source in self._shared.rig.inputs:
            if source.mpe is not None and source.plays:
                kept = before.get(source.name)
                if kept is None or kept.settings != source.mpe:
                    kept = MpeKeyboard(source.mpe)
                self.keyboards[source.name] = kept
        self._rests = {}
        for known in self.keyboards.values():
            if known.settings.pressure_to is not None:
                self._rests[known.settings.pressure_to] = 0
            if known.settings.slide_to is not None:
                self._rests[known.settings.slide_to] = SLIDE_MIDDLE
        self._read_zones()

    def _read_zones(self) -> None:
        shared = self._shared
        shared.managers = {}
        shared.zone_places = {}
        for name, known in self.keyboards.items():
            for manager in (LOWER, UPPER):
                places = tuple((name, channel) for channel in known.channels(manager))
                if places:
                    shared.zone_places[places[0]] = places
                    shared.managers |= dict.fromkeys(places[1:], places[0])
        shared.centred = frozenset(
            name for name, known in self.keyboards.items() if known.settings.touch == "centred"
        )
        self._assigner.use()

    def source_lost(self, name: str) -> None:
        """Let every finger of a keyboard be at rest: it says no more that it is."""
        known = self.keyboards.get(name)
        if known is not None:
            for finger in known.fingers:
                finger.rest()
                finger.parameters = ParameterReader()

    # ------------------------------------------------------------ messages

    def drops(self, message: Message, source: str) -> bool:
        """Return whether a finger has sent what counts on its zone's manager alone."""
        if type(message) is ControlChange:
            if message.controller not in MANAGER_ONLY:
                return False
        elif type(message) is not midi.ProgramChange and type(message) is not PolyPressure:
            return False
        channel = message.channel
        manager = self.keyboards[source].manager_of.get(channel, channel)
        if channel == manager or self._policy.passes((source, channel)):
            return False
        self._shared.counts["manager only"] += 1
        return True

    def take(self, message: Message, source: str, outputs: Outputs) -> bool:
        """Do what a message of an MPE keyboard means; return whether that is all."""
        channel = getattr(message, "channel", None)
        if channel is None or self._policy.passes((source, channel)):
            return False
        known = self.keyboards[source]
        if type(message) is ControlChange:
            set_to = known.fingers[channel].parameters.hear(message.controller, message.value)
            if set_to is not None:
                self._parameter(known, source, channel, set_to, outputs)
            if message.controller in midi.PARAMETER_CONTROLLERS:
                self._shared.counts["parameters"] += 1
                return True
        manager = known.manager_of.get(channel)
        if manager is None:
            return False
        if type(message) is PitchBend:
            known.fingers[channel].bend = message.bend
            self._bend(known, source, channel, outputs)
            return True
        if type(message) is ControlChange:
            return self._controller(known, message, source, outputs)
        if type(message) is ChannelPressure:
            known.fingers[channel].pressure = message.value
            return True
        if type(message) is PolyPressure:
            known.fingers[channel].key_pressures[message.note] = message.value
            return True
        if type(message) is NoteOn:
            known.fingers[channel].key_pressures.pop(message.note, None)  # the note before had it
        return False

    def _controller(
        self, known: MpeKeyboard, message: ControlChange, source: str, outputs: Outputs
    ) -> bool:
        channel, number = message.channel, message.controller
        if number == midi.SLIDE:
            known.fingers[channel].slide = message.value
            return True
        if channel == known.manager_of[channel]:
            if number == midi.RESET_CONTROLLERS:
                for other in known.channels(channel):
                    known.fingers[other].rest()
            return False
        if number in (TIME, FROM_KEY) and (source, channel) in self._shared.glide_controls:
            return False
        self._to_own_voices(message, source, outputs)
        return True

    def _to_own_voices(self, message: ControlChange, source: str, outputs: Outputs) -> None:
        """Pass a finger's controller to the voices that play its note, where that is listed."""
        place = (source, message.channel)
        passed = False
        for state in self._shared.voices.values():
            held = state.playing
            if held is None or held.source != place or held.wheel_from is not None:
                continue
            lane = state.lane
            if lane.notes and lane.up and self._policy.listed(lane.output, "controllers"):
                change = ControlChange(lane.channel, message.controller, message.value)
                outputs.append((lane.output, change))
                passed = True
        if not passed:
            self._shared.counts["controllers"] += 1

    def _bend(self, known: MpeKeyboard, source: str, channel: int, outputs: Outputs) -> None:
        """Follow a finger, or a zone's wheel, that moved."""
        if channel != known.manager_of[channel]:
            self._keyboard.set_wheel((source, channel), known.cents(channel), outputs)
            return
        self._bends(known, source, known.channels(channel), outputs)

    def _bends(
        self, known: MpeKeyboard, source: str, channels: Iterable[int], outputs: Outputs
    ) -> None:
        cents = {(source, channel): known.cents(channel) for channel in channels}
        self._keyboard.set_wheels(cents, outputs)

    # ------------------------------------------------------------ zones and ranges

    def _parameter(
        self,
        known: MpeKeyboard,
        source: str,
        channel: int,
        set_to: Parameter,
        outputs: Outputs,
    ) -> None:
        if set_to.number == BEND_RANGE:
            self._range(known, source, channel, set_to, outputs)
        elif (
            set_to.number == CONFIGURATION
            and channel in (LOWER, UPPER)
            and set_to.value <= MOST_MEMBERS
            and not set_to.fine
        ):
            self._configure(known, source, channel, set_to.value, outputs)

    def _range(
        self,
        known: MpeKeyboard,
        source: str,
        channel: int,
        set_to: Parameter,
        outputs: Outputs,
    ) -> None:
        """Take a bend range; one of any finger is that of all fingers of its zone."""
        manager = known.manager_of.get(channel)
        cents = 100.0 * set_to.value + min(set_to.fine, 99)
        if manager is None or cents > 100.0 * MOST_SEMITONES:
            self._shared.counts["bend ranges not taken"] += 1
            return
        ranges = known.manager_cents if channel == manager else known.member_cents
        ranges[manager] = cents
        self._bends(known, source, known.channels(manager), outputs)

    def _configure(
        self, known: MpeKeyboard, source: str, manager: int, members: int, outputs: Outputs
    ) -> None:
        """Take a zone's size; a zone that changes stops its notes and resets its controllers."""
        before, after = known.sizes, known.sizes.configured(manager, members)
        known.member_cents[manager] = MEMBER_CENTS
        known.manager_cents[manager] = MANAGER_CENTS
        changed = [one for one in (LOWER, UPPER) if before.of(one) != after.of(one)]
        if not changed:
            self._bends(known, source, known.channels(manager), outputs)
            return
        channels = {channel for one in changed for channel in known.channels(one)}
        known.sizes = after
        known.read_zones()
        channels |= {channel for one in changed for channel in known.channels(one)}
        places = {(source, channel) for channel in channels}
        self._keyboard.rest(places, outputs)
        for channel in channels:
            known.fingers[channel].rest()
        self._read_zones()

    # ------------------------------------------------------------ pressure and slide

    def follow(self, outputs: Outputs) -> None:
        """Let each voice have pressure and controller 74 of the note that it plays."""
        if not self._rests:
            return
        for state in self._shared.voices.values():
            held = state.playing
            if held is None or not state.lane.notes or not state.lane.up:
                continue
            sent = self._sent.get(state.voice.name)
            known = self.keyboards.get(held.source[0])
            if known is not None and held.source[1] in known.manager_of:
                if held.wheel_from is None:  # a finger that is up says nothing more of its note
                    self._follow(state, known, held, outputs)
            elif sent:  # a plain keyboard's note: nothing of a finger's is left on it
                for target in sent.keys() & self._rests.keys():
                    self._send(state, target, self._rests[target], outputs)

    def _follow(self, state: VoiceState, known: MpeKeyboard, held: Held, outputs: Outputs) -> None:
        settings, channel = known.settings, held.source[1]
        if settings.pressure_to is not None:
            pressure, response = known.pressure(channel, held.pressed), state.voice.response
            if response is not None and response.pressure is not None:
                pressure = response.pressure[pressure]
            self._send(state, settings.pressure_to, pressure, outputs)
        if settings.slide_to is not None:
            self._send(state, settings.slide_to, known.slide(channel), outputs)

    def _send(self, state: VoiceState, target: int, value: int, outputs: Outputs) -> None:
        sent = self._sent.setdefault(state.voice.name, {CHANNEL_PRESSURE: 0})
        if sent.get(target) == value:
            return
        sent[target] = value
        lane = state.lane
        if target == CHANNEL_PRESSURE:
            outputs.append((lane.output, OnlyNewest(ChannelPressure(lane.channel, value))))
        else:
            outputs.append((lane.output, ControlChange(lane.channel, target, value)))
