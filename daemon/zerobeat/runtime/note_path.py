"""The way of a note through the daemon: from a port's inbox to the ports it leaves by.

Nothing here touches a file, a log or a lock, unless something has gone wrong.
"""

from __future__ import annotations

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
from ..ports.control import Control
from ..ports.midi_in import Inbox, MidiIn
from ..ports.midi_out import MidiOut
from ..ports.mirror import Mirror
from .journal import Journal
from .latency import Delays
from .midi_loops import Storms


class NotePath:
    """Engine and wire between the ports.

    Args:
        engine, wire: what decides every byte.
        mirror: what sounds, for whoever comes after a crash.
        journal: for faults.

    Attributes:
        inbox: where the inputs put what they hear.
        ins, outs: the open ports, by name; whoever opens them puts them in.
        control: the socket, whose clients may listen in; None while there is none.
        delays: how long messages take.
        storms: routes that run wild.
        malformed: messages that are none.
        foot_presses: switches of pedalboards that went down; nothing else that they send.
    """

    def __init__(self, engine: Engine, wire: Wire, mirror: Mirror, journal: Journal) -> None:
        self._engine = engine
        self._wire = wire
        self._mirror = mirror
        self._journal = journal
        self.inbox: Inbox = deque()
        self.ins: dict[str, MidiIn] = {}
        self.outs: dict[str, MidiOut] = {}
        self.control: Control | None = None
        self.delays = Delays()
        self.storms = Storms()
        self.malformed = 0
        self.foot_presses = 0
        self._foot_values: dict[tuple[str, int, int], int] = {}  # controllers, as heard last
        self._feet: set[str] = set()
        self.use(engine.rig)

    def use(self, rig: Rig) -> None:
        """Take a rig: which of its inputs are feet."""
        self._feet = {source.name for source in rig.inputs if not source.plays}

    def hear(self, outputs: Outputs) -> None:
        """Take every message that has come, in order, and send what follows from each."""
        inbox = self.inbox
        control = self.control
        listens = control is not None and bool(inbox) and control.listens
        while inbox:
            stamp_s, name, content = inbox.popleft()
            try:
                if listens and control is not None:
                    control.hear(stamp_s, name, content)
                self._hear_one(stamp_s, name, content, outputs)
            except Exception:
                self._fault(bytes(content).hex(" "), name, outputs)
                self.send(time.monotonic())
        for name, port in self.ins.items():
            if port.overflowed:
                port.overflowed = False
                self._journal.fault(f"overflow {name}", f"input {name}: too much at once; released")
                self.command(SourceLost(name))

    def _hear_one(
        self, stamp_s: float, name: str, content: Sequence[int], outputs: Outputs
    ) -> None:
        message = midi.parse(content)
        if message is None:
            self.malformed += 1
            return
        if name in self._feet:
            self._count_press(name, message)
        told = self.storms.hears(name, content, stamp_s)
        if told != "":
            if told:
                self._journal.fault(f"storm {name}", told)
                self.command(SourceLost(name))
            return
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
        if type(message) is midi.ControlChange:
            key = (name, message.channel, message.controller)
            before = self._foot_values.get(key, 0)
            self._foot_values[key] = message.value
            down = message.value >= midi.PRESSED
            if down and (before < midi.PRESSED or before == message.value):
                self.foot_presses += 1
        elif type(message) is midi.NoteOn or type(message) is midi.ProgramChange:
            self.foot_presses += 1

    def send(self, now_s: float) -> None:
        """Send what is due; a note is marked before it leaves and cleared after its end."""
        sent = self.storms.sent
        for name, content in self._wire.take(now_s):
            sent.append((name, content))
            kind = content[0] & 0xF0
            if kind == 0x90:
                self._mirror.mark(name, content[0] & 0x0F, content[1])
                self.outs[name].send(content)
            else:
                self.outs[name].send(content)
                if kind == 0x80:
                    self._mirror.clear(name, content[0] & 0x0F, content[1])

    def send_rest(self, longest_s: float) -> None:
        """Send what still waits for its moment, so long at most."""
        end_s = time.monotonic() + longest_s
        while self._wire.wake_at_s is not None and time.monotonic() < end_s:
            time.sleep(0.0005)
            self.send(time.monotonic())

    def wake(self, now_s: float, outputs: Outputs) -> None:
        """Do what the engine has asked to be woken for."""
        due_s = self._engine.wake_at_s
        if due_s is not None and due_s <= now_s:
            self._guarded(lambda: self._engine.wake(now_s, outputs), "wake", outputs)
        self.send(now_s)

    def command(self, command: Command) -> bool:
        """Hand a command to the engine and send what follows; False after a fault.

        Raises:
            CommandError: it names what the rig does not have.
        """
        outputs: Outputs = []
        now_s = time.monotonic()
        try:
            return self._guarded(
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
        """Send a note-off for all that sounds."""
        now_s = time.monotonic()
        self._wire.put(self._engine.release_all(), now_s)
        self.send(now_s)

    def _guarded(self, act: Callable[[], None], what: str, outputs: Outputs) -> bool:
        done = False
        try:
            act()
            done = True
            self._wire.put(outputs, time.monotonic())
            outputs.clear()
        except CommandError:  # what was appended leaves all the same
            self._put(outputs)
            raise
        except Exception:
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
            f"fault at [{what}] from {name or 'zerobeat'}, released {voice}:\n{text}",
        )

    def _put(self, outputs: Outputs) -> None:
        """Hand outputs to the wire after a fault; if the fault is its own, begin it anew."""
        try:
            self._wire.put(outputs, time.monotonic())
        except Exception:
            self._journal.exception("the wire")
            self._begin_anew()
        outputs.clear()

    def _begin_anew(self) -> None:
        """Take each output as lost and back: what may sound there gets its note-off."""
        for name in tuple(self._engine.ports.present):
            for command in (OutputLost(name), OutputBack(name)):
                outputs: Outputs = []
                now_s = time.monotonic()
                try:
                    self._engine.receive(command, "", now_s, outputs)
                    self._wire.put(outputs, now_s)
                except Exception:
                    self._journal.exception("the wire, begun anew")
