"""One output's order: what waits behind what, gaps, equal bends, the byte budget.

Note-offs first; legato notes, each bend directly before its own note-on; then
the voices that were silent, all bends first and then all note-ons, so that no
gate opens on a stale bend and a unison opens as close together as the cable
allows. A restrike waits ``gate_gap_s`` after its note-off, and a note-on waits
``settle_s`` after a bend that changed. Bends and controllers that belong to no
note-on leave only when the cable is idle, the newest of each (requirement B6);
a note-off is never dropped.

Fast playing may ask for more than gaps and settling allow. A note starts ``LATEST_START_S`` after
what its converter needs, at the latest: notes that have ended before they could start make
room for it, each with its note-off, and one that still is too late does not start.
"""

from __future__ import annotations

from typing import final

from ..midi import (
    ORDERED_CONTROLLERS,
    ControlChange,
    Message,
    NoteOff,
    NoteOn,
    PitchBend,
    encode,
)
from .ledger import MovingBend, OnlyNewest
from .settings import Output

Sent = list[tuple[str, bytes]]

BEND_KEY = 128  # beside controllers 0 to 127 in the queue of what may be thinned
PRESSURE_KEY = 129
LATEST_START_S = 0.1  # beyond gate gap and settling, how much later than asked a note may start


class _Channel:
    """What the wire knows of one channel."""

    __slots__ = (
        "number",
        "last_bend",
        "sounding",
        "off_at_s",
        "off_left_s",
        "group",
        "new_bend",
        "opening",
        "dropped",
    )

    def __init__(self, number: int) -> None:
        self.number = number
        self.last_bend: int | None = None  # as sent; None: unknown
        self.sounding = 0
        self.off_at_s = -1e9  # when the last note-off leaves, or has left
        self.off_left_s = -1e9  # when the last one left
        self.group: _Group | None = None  # what this channel has to wait behind
        self.new_bend: int | None = None  # of the batch being arranged
        self.opening = False  # this batch strikes it, after the loop
        self.dropped: list[int] = []  # notes that came too late; their note-offs are left out


class _Group:
    """Messages that leave together at a later time."""

    __slots__ = ("due_s", "messages", "channels")

    def __init__(self, due_s: float, messages: list[_Queued], channels: list[_Channel]) -> None:
        self.due_s = due_s
        self.messages = messages
        self.channels = channels


@final
class _Again:
    """A bend repeated after its note-on, for converters deaf to it with the gate low."""

    __slots__ = ("bend",)

    def __init__(self, bend: PitchBend) -> None:
        self.bend = bend


_Queued = Message | _Again
_Waiting = Message | MovingBend
_Event = Message | MovingBend | OnlyNewest
_Strikes = list[tuple[_Channel, int | None, NoteOn]]  # with the bend of each


class Cable:
    """One output.

    Attributes:
        batch: what one event made, not yet arranged.
        groups: what leaves later, the soonest first.
        waiting: the newest bend or controller of each kind, until the cable is idle.
        linked: the output is connected, by what ``Wire.put`` was given.
        late: notes that did not start, because they could only have started too late.
    """

    __slots__ = (
        "name",
        "port",
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
        "late",
        "linked",
    )

    def __init__(self, output: Output) -> None:
        self.name = output.name
        self.channels = [_Channel(number) for number in range(16)]
        self.batch: list[_Event] = []
        self.groups: list[_Group] = []
        self.owed: list[NoteOff] = []  # to an output that is lost
        self.waiting: dict[int, _Waiting] = {}  # channel * 256 + controller, or a key as above
        self.free_at_s = -1e9
        self.bytes_sent = 0
        self.thinned = 0
        self.late = 0
        self.linked = False
        self.set_output(output)

    def moves_to(self, output: Output) -> bool:
        """Return whether an output of this name has another port from now on."""
        return self.port != (output.port, output.port_is_pattern)

    def set_output(self, output: Output) -> None:
        """Take the facts of an output and its converter."""
        self.port = (output.port, output.port_is_pattern)
        self.converter = output.converter
        rate = output.converter.bytes_per_second
        self.second_per_byte = 1.0 / rate if rate else 0.0

    def send(self, message: Message, now_s: float, sent: Sent) -> None:
        """Append one message's bytes; equal bends are left out here."""
        if type(message) is PitchBend:
            channel = self.channels[message.channel]
            if message.bend == channel.last_bend:
                return
            channel.last_bend = message.bend
        elif type(message) is NoteOff:
            self.channels[message.channel].off_left_s = now_s
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
            if type(message) is PitchBend:
                channel = channels[message.channel]
                if channel.new_bend is None:
                    bent.append(channel)
                channel.new_bend = message.bend
            elif type(message) is NoteOn:
                channel = channels[message.channel]
                bend, channel.new_bend = channel.new_bend, None
                if self.waiting:
                    waited = self.waiting.pop(message.channel << 8 | BEND_KEY, None)
                    if bend is None and type(waited) is PitchBend:
                        bend = waited.bend  # passed through: its own event
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
            elif type(message) is NoteOff:
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
                number = channel.number
                self._wait(number << 8 | BEND_KEY, PitchBend(number, channel.new_bend))
                channel.new_bend = None

    def _open(
        self, silent: _Strikes, after: list[NoteOff], due_s: float, now_s: float, sent: Sent
    ) -> None:
        """Send or schedule silent voices' strikes, and the note-offs that follow them."""
        strikes = silent
        if due_s - now_s > self.converter.gate_gap_s + LATEST_START_S:
            strikes, due_s = self._in_time(silent, now_s)
        if strikes:
            self._strike(strikes, due_s, now_s, sent)
        for channel, _, _ in silent:
            channel.opening = False
        for message in after:
            self._off(message, now_s, sent)

    def _in_time(self, silent: _Strikes, now_s: float) -> tuple[_Strikes, float]:
        """Make room for strikes that are late; return those that can start, and when."""
        latest_s = now_s + self.converter.gate_gap_s + LATEST_START_S
        due_s = now_s
        kept: _Strikes = []
        for channel, bend, note in silent:
            own = bend
            at_s = self._earliest_s(channel, now_s)
            if at_s > latest_s:
                queued, forgotten = self._forget_finished(channel)
                self.late += forgotten
                own = queued if bend is None else bend
                at_s = self._earliest_s(channel, now_s)
            if at_s > latest_s:
                channel.sounding -= 1
                channel.dropped.append(note.note)
                self.late += 1
                continue
            due_s = max(due_s, at_s)
            kept.append((channel, own, note))
        return kept, due_s

    def _earliest_s(self, channel: _Channel, now_s: float) -> float:
        """Return when a silent channel may be struck again."""
        at_s = max(now_s, channel.off_at_s + self.converter.gate_gap_s)
        return at_s if channel.group is None else max(at_s, channel.group.due_s)

    def _forget_finished(self, channel: _Channel) -> tuple[int | None, int]:
        """Take a channel's notes from the queue that end before they start, in pairs.

        Returns:
            The last bend that was queued for them, or None; and how many notes they were.
        """
        queued = [m for group in self.groups for m in group.messages if _is_of(m, channel)]
        gone: set[int] = set()  # identities: equal messages may be queued twice
        open_notes: dict[int, _Queued] = {}
        for message in queued:
            if type(message) is NoteOn:
                open_notes[message.note] = message
            elif type(message) is NoteOff and message.note in open_notes:
                gone |= {id(message), id(open_notes.pop(message.note))}
        notes = len(gone) // 2
        bend = None
        if not open_notes:  # no note is left that a bend could belong to
            for message in queued:
                if type(message) is PitchBend:
                    bend = message.bend
                if type(message) is PitchBend or type(message) is _Again:
                    gone.add(id(message))
        channel.group = None
        channel.off_at_s = channel.off_left_s
        for group in tuple(self.groups):
            group.messages = [message for message in group.messages if id(message) not in gone]
            own = [message for message in group.messages if _is_of(message, channel)]
            if own:
                channel.group = group
                if any(type(message) is NoteOff for message in own):
                    channel.off_at_s = group.due_s
            elif channel in group.channels:
                group.channels.remove(channel)
            if not group.messages:
                self.groups.remove(group)
        return bend, notes

    def _strike(self, silent: _Strikes, due_s: float, now_s: float, sent: Sent) -> None:
        """Send or schedule strikes: all bends, then all note-ons."""
        bends: list[PitchBend] = []
        notes: list[_Queued] = []
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
            for change in bends:
                self.send(change, now_s, sent)
            for message in notes:
                self._send_again(message, now_s, sent)
            return
        members = [channel for channel, _, _ in silent]
        if settle_s:
            if due_s <= now_s and not locked:
                for change in bends:
                    self.send(change, now_s, sent)
            else:
                self._schedule(_Group(due_s, [*bends], [*members]))
            self._schedule(_Group(due_s + settle_s, notes, members))
        else:
            self._schedule(_Group(due_s, [*bends, *notes], members))

    def _schedule(self, group: _Group) -> None:
        place = len(self.groups)
        while place and self.groups[place - 1].due_s > group.due_s:
            place -= 1
        self.groups.insert(place, group)
        for channel in group.channels:
            channel.group = group

    def _off(self, message: NoteOff, now_s: float, sent: Sent) -> None:
        channel = self.channels[message.channel]
        if message.note in channel.dropped:
            channel.dropped.remove(message.note)
            return
        if channel.sounding:
            channel.sounding -= 1
        if channel.group is not None:
            channel.group.messages.append(message)
            channel.off_at_s = channel.group.due_s
        else:
            self.send(message, now_s, sent)
            channel.off_at_s = now_s

    def _other(self, message: _Event, now_s: float, sent: Sent) -> None:
        if type(message) is MovingBend:
            self._wait(message.channel << 8 | BEND_KEY, message)
            return
        if type(message) is OnlyNewest:
            self._wait(message.message.channel << 8 | PRESSURE_KEY, message.message)
            return
        if type(message) is ControlChange:
            channel = self.channels[message.channel]
            if message.controller not in ORDERED_CONTROLLERS:
                self._wait(message.channel << 8 | message.controller, message)
                return
            if channel.group is not None:
                channel.group.messages.append(message)
                return
        self.send(message, now_s, sent)

    def _wait(self, key: int, message: _Waiting) -> None:
        if key in self.waiting:
            self.thinned += 1
        self.waiting[key] = message

    def _send_again(self, message: _Queued, now_s: float, sent: Sent) -> None:
        if type(message) is _Again:
            self.channels[message.bend.channel].last_bend = None
            self.send(message.bend, now_s, sent)
        else:
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
                    self._send_waiting(self.waiting.pop(key), now_s, sent)

    def _send_waiting(self, message: _Waiting, now_s: float, sent: Sent) -> None:
        if type(message) is MovingBend:
            bend = message.value_at(now_s)
            if bend is not None:
                self.send(PitchBend(message.channel, bend), now_s, sent)
        else:
            self.send(message, now_s, sent)

    def panic(self, now_s: float, sent: Sent) -> None:
        """Let nothing start that has ended, and everything else leave at once."""
        for channel in self.channels:
            if channel.group is not None:
                self._forget_finished(channel)
            channel.last_bend = None
        for group in self.groups:
            group.due_s = now_s
        self.leave(now_s, sent)

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
        self.linked = False
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
        self.channels = [_Channel(number) for number in range(16)]
        self.free_at_s = -1e9

    def come_back(self, now_s: float, sent: Sent) -> None:
        """The output is there: start afresh, what is owed first."""
        self.lose()
        self.linked = True
        self.release_owed(now_s, sent)

    def close(self, now_s: float, sent: Sent) -> None:
        """The port closes: note-offs that wait leave at once; nothing else does."""
        if self.linked:
            self.lose()
            self.release_owed(now_s, sent)

    def release_owed(self, now_s: float, sent: Sent) -> None:
        """Send the note-offs of notes that have left."""
        for message in self.owed:
            self.send(message, now_s, sent)
        self.owed.clear()


def _is_of(message: _Queued, channel: _Channel) -> bool:
    """Return whether a queued message goes to a channel."""
    if type(message) is _Again:
        return message.bend.channel == channel.number
    return getattr(message, "channel", -1) == channel.number
