"""The note path: from the inbox of the input ports through engine and wire to the outputs.

Nothing here touches a file, a log or a lock, except after a fault.
"""

from __future__ import annotations

import math
import time
import traceback
from collections import deque
from collections.abc import Callable, Sequence

from .. import midi
from ..engine.commands import Command, OutputBack, OutputLost, SourceLost
from ..engine.engine import Engine
from ..engine.ledger import Outputs
from ..engine.settings import Rig
from ..engine.wire import Wire
from ..errors import CommandError
from ..ports.control import ControlSocket
from ..ports.interruptions import Interruptions
from ..ports.midi_in import Inbox, MidiIn, split_messages
from ..ports.midi_out import MidiOut
from ..ports.mirror import Mirror
from ..ports.patch import Patch
from .journal import Journal
from .midi_loops import MidiLoopGuard

LONGEST_SHOWN = 96  # characters of a message in the log
LONGEST_SHORT = 3  # bytes of a channel message
SETTLE_S = 0.01  # between looks for note-offs that have left
RETRY_NOTE_OFF_S = 0.05  # between retries of note-offs that a port refused
RETRIES = 16  # in one turn
LATENCIES_KEPT = 1000  # the newest messages; sorting them for a picture takes 0.1 ms


class Latencies:
    """Latencies of the newest messages that made something sound or move.

    Attributes:
        add: takes one latency in seconds; a bounded append.
    """

    def __init__(self) -> None:
        self._kept: deque[float] = deque(maxlen=LATENCIES_KEPT)
        self.add = self._kept.append

    def shown(self) -> dict[str, float] | None:
        """Return the median, 99th percentile and maximum in milliseconds; None before any."""
        ordered = sorted(self._kept)
        if not ordered:
            return None
        last = len(ordered) - 1
        found = (("median_ms", last // 2), ("p99_ms", int(0.99 * last)), ("most_ms", last))
        return {name: round(1e3 * ordered[place], 2) for name, place in found}


class NotePath:
    """Engine and wire between the ports.

    Args:
        engine, wire: they decide every byte.
        mirror: marks what sounds, for the release after a crash.
        patch: the backend; it knows when a message has left.
        journal: for faults.

    Attributes:
        inbox: where the input ports append messages.
        ins, outs: the open ports, by name; set by ``PortConnections``.
        control: the control socket, for clients of raw input; None before it is open.
        interruptions: for work in which a message is played at once.
        delays: from arrival to sending.
        loop_guard: detects MIDI loops.
        malformed: count of invalid messages.
        foot_presses: count of pedal switches that went down.
    """

    def __init__(
        self, engine: Engine, wire: Wire, mirror: Mirror, patch: Patch, journal: Journal
    ) -> None:
        self._engine = engine
        self._patch = patch
        self._wire = wire
        self._mirror = mirror
        self._journal = journal
        self.inbox: Inbox = deque()
        self.ins: dict[str, MidiIn] = {}
        self.outs: dict[str, MidiOut] = {}
        self.control: ControlSocket | None = None
        looks = patch.collect_every_s < math.inf
        self.interruptions = Interruptions(self.catch_up, self._due_s, looks)
        self.delays = Latencies()
        self.loop_guard = MidiLoopGuard()
        self.malformed = 0
        self.foot_presses = 0
        self._unsent: dict[tuple[str, int, int], bytes] = {}  # note-offs that a port refused
        self._retry_at_s = 0.0
        self._controller_values: dict[
            tuple[str, int, int], int
        ] = {}  # controllers, as received last
        self._pedalboards: dict[str, int | None] = {}  # with the one channel that is listened to
        self.use_rig(engine.rig)

    def use_rig(self, rig: Rig) -> None:
        """Note which inputs of a rig are pedalboards."""
        self._pedalboards = {s.name: s.channel for s in rig.inputs if not s.plays}

    def collect(self) -> None:
        """Take what waits in the inputs of a system that does not call back."""
        for port in self.ins.values():
            port.collect()

    def receive_all(self, outputs: Outputs) -> None:
        """Process every message in the inbox, in order, and send the results."""
        self.collect()
        inbox = self.inbox
        control = self.control
        has_listeners = control is not None and bool(inbox) and control.has_listeners
        while inbox:
            stamp_s, name, content = inbox.popleft()
            try:
                if has_listeners and control is not None:
                    control.add_raw_input(stamp_s, name, content)
                if content[0] == 0xF0 or len(content) > LONGEST_SHORT:
                    for part in split_messages(content):
                        self._receive(stamp_s, name, part, outputs)
                else:
                    self._receive(stamp_s, name, content, outputs)
            except Exception:  # noqa: BLE001 - contained and logged
                self._fault(bytes(content).hex(" "), name, outputs)
                self.send(time.monotonic())
        for name, port in self.ins.items():
            if port.overflowed:
                port.overflowed = False
                self._journal.fault(f"overflow {name}", f"input {name}: too much at once; released")
                self.command(SourceLost(name))

    def catch_up(self) -> None:
        """Between two slices of other work: play what has arrived and what is due."""
        interruptions = self.interruptions
        allowed, interruptions.allowed = interruptions.allowed, False
        try:
            self._catch_up()
        finally:
            interruptions.allowed = allowed
        if allowed and self.inbox:  # it came between the last look and the line above
            self.catch_up()

    def _catch_up(self) -> None:
        self.collect()
        if self.inbox:
            self.receive_all([])
        now_s = time.monotonic()
        due_s = self._wire.wake_at_s
        if due_s is not None and due_s <= now_s:
            self.send(now_s)
        due_s = self._engine.wake_at_s
        if due_s is not None and due_s <= now_s:
            self.wake_engine(now_s, [])

    def _due_s(self) -> float | None:
        """Return when wire or engine has something to do."""
        wire_s, engine_s = self._wire.wake_at_s, self._engine.wake_at_s
        if wire_s is None or engine_s is None:
            return engine_s if wire_s is None else wire_s
        return min(wire_s, engine_s)

    def _receive(self, stamp_s: float, name: str, content: Sequence[int], outputs: Outputs) -> None:
        message = midi.parse(content)
        if message is None:
            self.malformed += 1
            return
        line = self.loop_guard.check(name, content, stamp_s)
        if line != "":
            if line:
                self._journal.fault(f"storm {name}", line)
                self.command(SourceLost(name))
            return
        if name in self._pedalboards:
            echoes = self._engine.counts["echo of a light"]
            self._engine.receive(message, name, stamp_s, outputs)
            if self._engine.counts["echo of a light"] == echoes:
                self._count_press(name, message)
        else:
            self._engine.receive(message, name, stamp_s, outputs)
        if outputs:
            now_s = time.monotonic()
            self._wire.put(outputs, now_s)
            outputs.clear()
            self.send(now_s)
            self.delays.add(time.monotonic() - stamp_s)

    def _count_press(self, name: str, message: midi.Message) -> None:
        """Count a switch that goes down: a program, a note, a controller that passes half way.

        A switch that sends the same value at each press, and no release, counts each time.
        """
        only = self._pedalboards[name]
        if only is not None and getattr(message, "channel", only) != only:
            return
        if type(message) is midi.ControlChange:
            key = (name, message.channel, message.controller)
            before = self._controller_values.get(key, 0)
            self._controller_values[key] = message.value
            down = message.value >= midi.PRESSED
            if down and (before < midi.PRESSED or before == message.value):
                self.foot_presses += 1
        elif type(message) is midi.NoteOn or type(message) is midi.ProgramChange:
            self.foot_presses += 1

    def send(self, now_s: float) -> None:
        """Send what is due; a note is marked before its note-on leaves."""
        sent = self.loop_guard.sent
        for name, content in self._wire.take(now_s):
            sent.append((name, content))
            kind = content[0] & 0xF0
            if kind == 0x80:
                self._send_note_off(name, content)
                continue
            if kind == 0x90:
                if self._unsent:
                    self._retry(name, content[0] & 0x0F, content[1])
                self._mirror.mark(name, content[0] & 0x0F, content[1])
            port = self.outs.get(name)
            if port is not None:
                port.send(content)

    def _send_note_off(self, name: str, content: bytes) -> bool:
        """Send a note-off; its mark is cleared once it has left, or stays if it can't be sent."""
        channel, note = content[0] & 0x0F, content[1]
        port = self.outs.get(name)
        if port is None:  # the rig has it no more; the mark is for whoever has it again
            return True
        if port.send(content):
            self._mirror.clear(name, channel, note, port.handed_over_at())
            return True
        self._unsent[name, channel, note] = content
        return False

    def _retry(self, name: str, channel: int, note: int) -> None:
        """Send the note-off that a port refused, before the same note is struck again."""
        content = self._unsent.pop((name, channel, note), None)
        if content is not None and self._send_note_off(name, content) is False:
            del self._unsent[name, channel, note]  # the next one releases both

    @property
    def wake_at_s(self) -> float | None:
        """When ``settle`` has something to do."""
        if self._unsent and self._patch.alive:
            return self._retry_at_s
        return self._retry_at_s if self._mirror.leaving else None

    def settle(self, now_s: float) -> None:
        """Clear the marks of note-offs that have left; retry those that a port refused."""
        if now_s < self._retry_at_s:
            return
        if self._mirror.leaving:
            self._mirror.settle(self._patch.cycles(), self._patch.frames_to_leave)
            self._retry_at_s = now_s + SETTLE_S
        if self._unsent and self._patch.alive:
            self._retry_at_s = now_s + RETRY_NOTE_OFF_S
            for key, content in list(self._unsent.items())[:RETRIES]:
                del self._unsent[key]
                if not self._send_note_off(key[0], content):
                    return

    def send_rest(self, longest_s: float) -> None:
        """Send what is scheduled, for at most ``longest_s``."""
        end_s = time.monotonic() + longest_s
        while self._wire.wake_at_s is not None and time.monotonic() < end_s:
            time.sleep(0.0005)
            self.send(time.monotonic())

    def wake_engine(self, now_s: float, outputs: Outputs) -> None:
        """Wake the engine if it is due, and send."""
        due_s = self._engine.wake_at_s
        if due_s is not None and due_s <= now_s:
            self._contained(lambda: self._engine.wake(now_s, outputs), "wake", outputs)
        self.send(now_s)

    def command(self, command: Command) -> bool:
        """Hand a command to the engine and send the results; False after a fault.

        Raises:
            CommandError: it names what the rig does not have.
        """
        outputs: Outputs = []
        now_s = time.monotonic()
        try:
            return self._contained(
                lambda: self._engine.receive(command, "", now_s, outputs),
                type(command).__name__,
                outputs,
            )
        finally:
            self.send(now_s)

    def act(self, command: Command) -> None:
        """Do a command, or say why not.

        Raises:
            CommandError: refused, or a fault in it.
        """
        if not self.command(command):
            raise CommandError("a fault in zerobeat, one voice released; its log says more")

    def release_all(self) -> None:
        """Send a note-off for all that sounds; by the marks alone if the engine fails."""
        now_s = time.monotonic()
        try:
            self._wire.put(self._engine.release_all(), now_s)
            self.send(now_s)
        except Exception:  # noqa: BLE001 - whatever happens, the notes are released
            self._journal.exception("the release of all notes")
            for name, channel, note in self._mirror.marked():
                self._send_note_off(name, bytes((0x80 | channel, note, 64)))

    def release_sources(self, why: str) -> None:
        """Release what the keys of all inputs hold: their note-offs may have been missed."""
        self._journal.fault(f"released {why}", f"{why}; what sounded was released")
        for source in self._engine.rig.inputs:
            self.command(SourceLost(source.name))

    def _contained(self, act: Callable[[], None], what: str, outputs: Outputs) -> bool:
        done = False
        try:
            act()
            done = True
            self._wire.put(outputs, time.monotonic())
            outputs.clear()
        except CommandError:  # what was appended leaves all the same
            self._put(outputs)
            raise
        except Exception:  # noqa: BLE001 - contained and logged
            done = False
            self._fault(what, "", outputs)
        return done

    def _fault(self, what: str, name: str, outputs: Outputs) -> None:
        """An exception costs one event (M7): send what is there, release that voice."""
        text = traceback.format_exc()
        self._put(outputs)
        voice = self._engine.recover(name, outputs)
        self._put(outputs)
        last = text.strip().splitlines()[-1]
        self._journal.fault(
            f"fault {last}",
            f"fault at [{what[:LONGEST_SHOWN]}] from {name or 'zerobeat'}, released {voice}:",
            text,
        )

    def _put(self, outputs: Outputs) -> None:
        """Hand outputs to the wire after a fault; if the wire itself fails, restart it."""
        try:
            self._wire.put(outputs, time.monotonic())
        except Exception:  # noqa: BLE001 - contained and logged
            self._journal.exception("the wire")
            self._restart_wire()
        outputs.clear()

    def _restart_wire(self) -> None:
        """Treat each output as lost and reconnected: what may sound there gets its note-off."""
        for name in tuple(self._engine.ports.present):
            for command in (OutputLost(name), OutputBack(name)):
                outputs: Outputs = []
                now_s = time.monotonic()
                try:
                    self._engine.receive(command, "", now_s, outputs)
                    self._wire.put(outputs, now_s)
                except Exception:  # noqa: BLE001 - contained and logged
                    self._journal.exception("the wire, begun anew")
