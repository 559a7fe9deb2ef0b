"""A receiver at the far end of the cables, which knows bytes and nothing of the engine.

It is given what the ports know (an output was lost, came back, was taken away) and what the
player did (panic, everything is up), and asserts what a player would hear go wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, field

NOTE_OFF, NOTE_ON, CONTROLLER, BEND = 0x80, 0x90, 0xB0, 0xE0
BYTE_COUNT = {0x80: 3, 0x90: 3, 0xA0: 3, 0xB0: 3, 0xC0: 2, 0xD0: 2, 0xE0: 3}


class CheckFailed(AssertionError):
    """What a player would hear go wrong."""


@dataclass(slots=True)
class ChannelHeard:
    """What a receiver knows of one channel."""

    sounding: list[int] = field(default_factory=list)
    bend: int | None = None  # as received; None: unknown since the link was made
    last: bytes = b""  # the last message, to see what stands before a note-on
    struck_event: int | None = None  # of the last note-on
    struck_bend: int | None = None
    pedals: set[int] = field(default_factory=set)  # that hold notes and are down
    may_repeat: bool = False  # the next bend may be the one it has


@dataclass(slots=True)
class CableHeard:
    """What a receiver knows of one cable.

    Args:
        one_note_channels: channels of voices whose converter takes one note at a time.
        voice_channels: channels of voices: a bend belongs to each note.
        detunes: for a voice's channel, the cents beside a key of the piano of each strike with
            the wheel at rest.
        bend_range_cents: of the converter, one side.
        bytes_per_second: of a slow cable; None: as fast as can be.
    """

    voice_channels: frozenset[int]
    one_note_channels: frozenset[int]
    detunes: dict[int, float]
    bend_range_cents: float = 200.0
    bytes_per_second: int | None = None
    repeats_bend: bool = False
    linked: bool = False
    owed: set[tuple[int, int]] = field(default_factory=set)  # sounded when the link was lost
    may_be_stray: bool = False
    free_at_s: float = -1.0
    at_s: float = -1.0
    channels: list[ChannelHeard] = field(
        default_factory=lambda: [ChannelHeard() for _ in range(16)]
    )


class ByteChecker:
    """Receives the bytes of every output.

    Attributes:
        cables: by the output's name.
        notes: note-ons received, so that a silent engine passes for nothing.
        wheels_rest: no wheel is away from rest, and nothing is measured: strikes are exact.
        event: counts what is played, while the bytes that follow from it at once leave; None
            while what has waited leaves. A bend after a note-on of its event came too late.
    """

    def __init__(self) -> None:
        self.cables: dict[str, CableHeard] = {}
        self.notes = 0
        self.wheels_rest = True
        self.event: int | None = 0
        self._too_late: dict[str, int] = {}  # bends that came after a note-on of their event

    # ------------------------------------------------------------ what the ports know

    def lost(self, name: str) -> None:
        """The cable was pulled: nothing may be sent; what sounds, sounds on."""
        cable = self.cables[name]
        cable.linked = False
        for number, channel in enumerate(cable.channels):
            cable.owed |= {(number, note) for note in channel.sounding}

    def back(self, name: str) -> None:
        """The cable was plugged in: nothing is known of its bends."""
        cable = self.cables[name]
        cable.linked = True
        cable.may_be_stray = True
        cable.free_at_s = -1.0
        for channel in cable.channels:
            channel.bend = None

    def back_done(self, name: str) -> None:
        """All that follows at once from plugging in was sent: what sounded is released."""
        cable = self.cables[name]
        cable.may_be_stray = False
        if cable.owed:
            raise CheckFailed(f"{name} is back and {sorted(cable.owed)} still sound")

    def removed(self, name: str) -> None:
        """The port of an output closes: nothing may sound that could be released."""
        cable = self.cables.pop(name)
        if cable.linked:
            self._silent(name, cable, "its port closes")

    # ------------------------------------------------------------ what the player did

    def all_silent(self, why: str) -> None:
        """Assert that nothing sounds on any cable that is plugged in."""
        for name, cable in self.cables.items():
            if cable.linked:
                self._silent(name, cable, why)

    def no_sustain(self, why: str) -> None:
        """Assert that no receiver keeps a sustain pedal down."""
        for name, cable in self.cables.items():
            for number, channel in enumerate(cable.channels):
                if cable.linked and channel.pedals:
                    raise CheckFailed(f"{name} channel {number}: {channel.pedals} down: {why}")

    def _silent(self, name: str, cable: CableHeard, why: str) -> None:
        for number, channel in enumerate(cable.channels):
            if channel.sounding:
                raise CheckFailed(f"{name} channel {number}: {channel.sounding} sound: {why}")

    # ------------------------------------------------------------ bytes

    def event_done(self) -> None:
        """All that follows at once from what was played has left."""
        self.event = None
        for place, bend in self._too_late.items():
            raise CheckFailed(f"{place}: bend {bend} comes after its note-on")

    def hear(self, at_s: float, name: str, content: bytes) -> None:
        """Take one message that left for an output."""
        cable = self.cables.get(name)
        if cable is None:
            raise CheckFailed(f"{content.hex(' ')} to {name}, which was taken away")
        if not cable.linked:
            raise CheckFailed(f"{content.hex(' ')} to {name}, which is lost")
        if at_s < cable.at_s:
            raise CheckFailed(f"{name}: time ran backwards")
        cable.at_s = at_s
        status = content[0]
        if status >= 0xF0:
            self._spend(cable, at_s, content)
            return
        kind, channel = status & 0xF0, cable.channels[status & 0x0F]
        if len(content) != BYTE_COUNT[kind] or max(content[1:]) > 127:
            raise CheckFailed(f"{name}: not a message: {content.hex(' ')}")
        place = f"{name} channel {status & 0x0F}"
        if kind == NOTE_ON:
            self._note_on(cable, channel, status & 0x0F, content, place)
        elif kind == NOTE_OFF:
            self._note_off(cable, channel, status & 0x0F, content[1], place)
        elif kind == BEND:
            self._bend(cable, channel, content, place)
        elif kind == CONTROLLER and content[1] in (64, 66, 69):
            (channel.pedals.add if content[2] >= 64 else channel.pedals.discard)(content[1])
        elif kind == CONTROLLER and content[1] == 121:
            channel.pedals.clear()
        elif kind == CONTROLLER and content[1] in (120, 123):
            channel.may_repeat = True  # a panic; the receiver may have reset its bend
        channel.last = content
        self._spend(cable, at_s, content)

    def _spend(self, cable: CableHeard, at_s: float, content: bytes) -> None:
        if cable.bytes_per_second:
            begin_s = max(cable.free_at_s, at_s)
            cable.free_at_s = begin_s + len(content) / cable.bytes_per_second

    def _note_on(
        self,
        cable: CableHeard,
        channel: ChannelHeard,
        number: int,
        content: bytes,
        place: str,
    ) -> None:
        note = content[1]
        if content[2] == 0:
            raise CheckFailed(f"{place}: a note-off is sent as 8n")
        if note in channel.sounding:
            raise CheckFailed(f"{place}: {note} is struck while it sounds")
        if number in cable.one_note_channels and channel.sounding:
            raise CheckFailed(f"{place}: {note} over {channel.sounding}")
        if number in cable.voice_channels:
            if channel.bend is None:
                raise CheckFailed(f"{place}: {note} is struck before any bend")
            exact = cable.detunes.get(number)
            cents = channel.bend * cable.bend_range_cents / 8192.0
            if self.wheels_rest and exact is not None:
                left = (cents - exact + 50.0) % 100.0 - 50.0
                if abs(left) > cable.bend_range_cents / 8192.0:
                    raise CheckFailed(f"{place}: {note} is struck {left:+.2f} cents beside its key")
        channel.sounding.append(note)
        self._too_late.pop(place, None)  # the bend was this note's
        channel.struck_event, channel.struck_bend = self.event, channel.bend
        self.notes += 1

    def _note_off(
        self, cable: CableHeard, channel: ChannelHeard, number: int, note: int, place: str
    ) -> None:
        cable.owed.discard((number, note))
        if note in channel.sounding:
            channel.sounding.remove(note)
        elif not cable.may_be_stray:
            raise CheckFailed(f"{place}: a stray note-off of {note}")

    def _bend(self, cable: CableHeard, channel: ChannelHeard, content: bytes, place: str) -> None:
        bend = (content[2] << 7 | content[1]) - 8192
        voices = channel in [cable.channels[number] for number in cable.voice_channels]
        now = self.event is not None and channel.struck_event == self.event
        late = now and voices and bend != channel.struck_bend
        if late and channel.sounding and not cable.repeats_bend:
            self._too_late[place] = bend
        if channel.bend == bend and not (cable.repeats_bend or channel.may_repeat):
            raise CheckFailed(f"{place}: an equal bend is sent again")
        channel.bend, channel.may_repeat = bend, False
