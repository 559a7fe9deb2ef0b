"""One output's order: what waits behind what, gaps, equal bends, the byte budget.

Note-offs first; legato notes, each bend directly before its own note-on; then
the voices that were silent, all bends first and then all note-ons, so that no
gate opens on a stale bend and a unison opens as close together as the cable
allows. A restrike waits ``gate_gap_s`` after its note-off, and a note-on waits
``settle_s`` after a bend that changed. Bends and controllers that belong to no
note-on leave only when the cable is idle, the newest of each (requirement B6);
a note-off is never dropped.
"""

from __future__ import annotations

from ..midi import ControlChange, Message, NoteOff, NoteOn, PitchBend, encode
from .settings import Output

Sent = list[tuple[str, bytes]]

# Bank, data entry, sustain, increments, parameter numbers and mode messages
# mean something only in order: they are never thinned.
_ORDERED_CONTROLLERS = frozenset((0, 6, 32, 38, 64, 96, 97, 98, 99, 100, 101, *range(120, 128)))
BEND_KEY = 128  # beside controllers 0 to 127 in the queue of what may be thinned


class _Channel:
    """What the wire knows of one channel."""

    __slots__ = ("last_bend", "sounding", "off_at_s", "group", "new_bend", "opening")

    def __init__(self) -> None:
        self.last_bend: int | None = None  # as sent; None: unknown
        self.sounding = 0
        self.off_at_s = -1e9
        self.group: _Group | None = None  # what this channel has to wait behind
        self.new_bend: int | None = None  # of the batch being arranged
        self.opening = False  # this batch strikes it, after the loop


class _Group:
    """Messages that leave together at a later time."""

    __slots__ = ("due_s", "messages", "channels")

    def __init__(self, due_s: float, messages: list[Message], channels: list[_Channel]) -> None:
        self.due_s = due_s
        self.messages = messages
        self.channels = channels


class _Again:
    """A bend repeated after its note-on, for converters deaf to it with the gate low."""

    __slots__ = ("bend",)

    def __init__(self, bend: PitchBend) -> None:
        self.bend = bend


_Strikes = list[tuple[_Channel, int | None, NoteOn]]  # with the bend of each


class Cable:
    """One output.

    Attributes:
        batch: what one event made, not yet arranged.
        groups: what leaves later, the soonest first.
        waiting: the newest bend or controller of each kind, until the cable is idle.
    """

    __slots__ = (
        "name",
        "converter",
        "channels",
        "batch",
        "groups",
        "owed",
        "waiting",
        "free_at_s",
        "second_per_byte",
        "bytes_sent",
        "thinned",
    )

    def __init__(self, output: Output) -> None:
        self.name = output.name
        self.channels = [_Channel() for _ in range(16)]
        self.batch: list[Message] = []
        self.groups: list[_Group] = []
        self.owed: list[NoteOff] = []  # to an output that is lost
        self.waiting: dict[int, Message] = {}  # channel * 256 + controller or BEND_KEY
        self.free_at_s = -1e9
        self.bytes_sent = 0
        self.thinned = 0
        self.set_output(output)

    def set_output(self, output: Output) -> None:
        self.converter = output.converter
        rate = output.converter.bytes_per_second
        self.second_per_byte = 1.0 / rate if rate else 0.0

    def send(self, message: Message, now_s: float, sent: Sent) -> None:
        """Append one message's bytes; equal bends are left out here."""
        kind = type(message)
        if kind is NoteOn:
            content = bytes((0x90 | message.channel, message.note, message.velocity))
        elif kind is PitchBend:
            channel = self.channels[message.channel]
            if message.bend == channel.last_bend:
                return
            channel.last_bend = message.bend
            raw = message.bend + 8192
            content = bytes((0xE0 | message.channel, raw & 0x7F, raw >> 7))
        else:
            content = encode(message)
        sent.append((self.name, content))
        self.bytes_sent += len(content)
        if self.second_per_byte:
            free_at_s = self.free_at_s if self.free_at_s > now_s else now_s
            self.free_at_s = free_at_s + len(content) * self.second_per_byte

    def arrange(self, now_s: float, sent: Sent) -> None:
        """Put one event's messages in order and send what may leave."""
        channels = self.channels
        bent: list[_Channel] = []
        silent: _Strikes = []
        after: list[NoteOff] = []
        due_s = now_s
        for message in self.batch:
            kind = type(message)
            if kind is PitchBend:
                channel = channels[message.channel]
                if channel.new_bend is None:
                    bent.append(channel)
                channel.new_bend = message.bend
            elif kind is NoteOn:
                channel = channels[message.channel]
                bend, channel.new_bend = channel.new_bend, None
                if self.waiting:
                    waited = self.waiting.pop(message.channel << 8 | BEND_KEY, None)
                    if bend is None and waited is not None:  # passed through: its own event
                        bend = waited.bend
                if channel.opening:  # struck twice in one event
                    self._open(silent, after, due_s, now_s, sent)
                    silent, after, due_s = [], [], now_s
                if channel.sounding and channel.group is None:
                    channel.sounding += 1  # legato
                    if bend is not None:
                        self.send(PitchBend(message.channel, bend), now_s, sent)
                    self.send(message, now_s, sent)
                    continue
                silent.append((channel, bend, message))
                channel.opening = True
                if channel.off_at_s + self.converter.gate_gap_s > due_s:
                    due_s = channel.off_at_s + self.converter.gate_gap_s
                if channel.group is not None and channel.group.due_s > due_s:
                    due_s = channel.group.due_s
                channel.sounding += 1
            elif kind is NoteOff:
                if channels[message.channel].opening:
                    after.append(message)
                else:
                    self._off(message, now_s, sent)
            else:
                self._other(message, now_s, sent)
        self.batch.clear()
        if silent:
            self._open(silent, after, due_s, now_s, sent)
        for channel in bent:
            if channel.new_bend is not None:
                number = channels.index(channel)
                self._wait(number << 8 | BEND_KEY, PitchBend(number, channel.new_bend))
                channel.new_bend = None

    def _open(
        self, silent: _Strikes, after: list[NoteOff], due_s: float, now_s: float, sent: Sent
    ) -> None:
        """Send or schedule silent voices' strikes, and the note-offs that follow them."""
        self._strike(silent, due_s, now_s, sent)
        for channel, _, _ in silent:
            channel.opening = False
        for message in after:
            self._off(message, now_s, sent)

    def _strike(self, silent: _Strikes, due_s: float, now_s: float, sent: Sent) -> None:
        """Send or schedule strikes: all bends, then all note-ons."""
        bends: list[Message] = []
        notes: list[Message] = []
        changed = False
        locked = False
        for channel, bend, note in silent:
            if bend is not None:
                bends.append(PitchBend(note.channel, bend))
                changed = changed or bend != channel.last_bend or channel.group is not None
            locked = locked or channel.group is not None
            notes.append(note)
        if not self.converter.bend_with_gate_low:
            notes += [_Again(message) for message in bends]
        settle_s = self.converter.settle_s if changed else 0.0
        if due_s <= now_s and not settle_s and not locked:
            for message in bends:
                self.send(message, now_s, sent)
            for message in notes:
                self._send_again(message, now_s, sent)
            return
        members = [channel for channel, _, _ in silent]
        if settle_s:
            if due_s <= now_s and not locked:
                for message in bends:
                    self.send(message, now_s, sent)
            else:
                self._schedule(_Group(due_s, bends, members))
            self._schedule(_Group(due_s + settle_s, notes, members))
        else:
            self._schedule(_Group(due_s, bends + notes, members))

    def _schedule(self, group: _Group) -> None:
        place = len(self.groups)
        while place and self.groups[place - 1].due_s > group.due_s:
            place -= 1
        self.groups.insert(place, group)
        for channel in group.channels:
            channel.group = group

    def _off(self, message: NoteOff, now_s: float, sent: Sent) -> None:
        channel = self.channels[message.channel]
        if channel.sounding:
            channel.sounding -= 1
        if channel.group is not None:
            channel.group.messages.append(message)
            channel.off_at_s = channel.group.due_s
        else:
            self.send(message, now_s, sent)
            channel.off_at_s = now_s

    def _other(self, message: Message, now_s: float, sent: Sent) -> None:
        if type(message) is ControlChange:
            channel = self.channels[message.channel]
            if message.controller not in _ORDERED_CONTROLLERS:
                self._wait(message.channel << 8 | message.controller, message)
                return
            if channel.group is not None:
                channel.group.messages.append(message)
                return
        self.send(message, now_s, sent)

    def _wait(self, key: int, message: Message) -> None:
        if key in self.waiting:
            self.thinned += 1
        self.waiting[key] = message

    def _send_again(self, message: Message, now_s: float, sent: Sent) -> None:
        if type(message) is _Again:
            self.channels[message.bend.channel].last_bend = None
            message = message.bend
        self.send(message, now_s, sent)

    def leave(self, now_s: float, sent: Sent) -> None:
        """Send the groups that are due, then waiting bends while the cable is idle."""
        while self.groups and self.groups[0].due_s <= now_s:
            group = self.groups.pop(0)
            for message in group.messages:
                self._send_again(message, now_s, sent)
            for channel in group.channels:
                if channel.group is group:
                    channel.group = None
        if self.waiting:
            for key in tuple(self.waiting):
                if self.second_per_byte and self.free_at_s > now_s:
                    break
                if self.channels[key >> 8].group is None:
                    self.send(self.waiting.pop(key), now_s, sent)

    def wake_at_s(self) -> float | None:
        at_s = self.groups[0].due_s if self.groups else None
        if self.waiting and any(self.channels[key >> 8].group is None for key in self.waiting):
            at_s = self.free_at_s if at_s is None else min(at_s, self.free_at_s)
        return at_s

    def lose(self) -> None:
        """The output went: nothing waits, no bend is known (requirement B2).

        A note-off that waits for a note which has left is owed: the ledger
        lists that note no more, so ``come_back`` sends it (requirement N11).
        """
        unborn: set[tuple[int, int]] = set()
        for message in [message for group in self.groups for message in group.messages]:
            if type(message) is NoteOn:
                unborn.add((message.channel, message.note))
            elif type(message) is NoteOff:
                if (message.channel, message.note) in unborn:
                    unborn.discard((message.channel, message.note))
                else:
                    self.owed.append(message)
        self.groups.clear()
        self.waiting.clear()
        self.batch.clear()
        self.channels = [_Channel() for _ in range(16)]
        self.free_at_s = -1e9

    def come_back(self, now_s: float, sent: Sent) -> None:
        """The output is there: start afresh, what is owed first."""
        self.lose()
        for message in self.owed:
            self.send(message, now_s, sent)
        self.owed.clear()
