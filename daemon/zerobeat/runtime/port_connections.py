"""The daemon's ports and their connections to devices."""

from __future__ import annotations

import select
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from .. import midi
from ..engine.commands import (
    Command,
    LightsBack,
    LightsLost,
    OutputBack,
    OutputLost,
    SourceLost,
)
from ..engine.engine import Engine
from ..engine.settings import Rig
from ..errors import PortError, ServerSilentError
from ..ports.interruptions import Interruptions
from ..ports.midi_in import Inbox, MidiIn
from ..ports.midi_out import MidiOut
from ..ports.mirror import Mirror
from ..ports.patch import Patch
from ..ports.sysex_end import SysExEnd
from ..ports.watch import PortEvent, PortLink, Watch
from ..text import counted
from .facts import PortStatus
from .journal import Journal

LIGHTS = " lights"  # after the name of the input, in the name of the port
# On JACK nobody says whether what is sent over a new connection was heard, and a receiver that has
# just come is deaf in some of its first periods. A second note-off does no harm.
RELEASE_AGAIN_S = 0.5
FIRST_LOOK_S = 0.5  # how long the first connections may take before the summary is logged


@dataclass(slots=True)
class NewPorts:
    """Ports that are open and not in use yet, by name."""

    ins: dict[str, MidiIn] = field(default_factory=dict)
    outs: dict[str, MidiOut] = field(default_factory=dict)
    lights: dict[str, MidiOut] = field(default_factory=dict)

    def close(self) -> None:
        for source in self.ins.values():
            source.close()
        for port in (*self.outs.values(), *self.lights.values()):
            port.close()


class PortConnections:
    """Opens the ports of a rig, keeps them connected, and reports changes to the engine.

    Args:
        rig: names the inputs and outputs.
        patch: the backend.
        inbox, wake_fd: where inputs append messages, and what wakes the loop.
        interruptions: what a message may interrupt.
        mirror: has the notes that an earlier process left sounding.
        journal: logs lost and connected devices.
        command: hands a command to the engine.
        pause: plays MIDI that has arrived or is due, between two ports that are opened.

    Attributes:
        ins, outs: the open ports, by name.
        lights: the ports of pedalboards' lights, by the name of the input.
        watch: watches the devices.
        server_gone: why nothing can be sent any more; "" while it can.
    """

    def __init__(
        self,
        rig: Rig,
        patch: Patch,
        inbox: Inbox,
        wake_fd: int,
        interruptions: Interruptions,
        mirror: Mirror,
        journal: Journal,
        command: Callable[[Command], bool],
        pause: Callable[[], None] = lambda: None,
    ) -> None:
        self._patch = patch
        self._inbox = inbox
        self._wake_fd = wake_fd
        self._interruptions = interruptions
        self._mirror = mirror
        self._journal = journal
        self._command = command
        self._pause = pause
        self.ins: dict[str, MidiIn] = {}
        self.outs: dict[str, MidiOut] = {}
        self.lights: dict[str, MidiOut] = {}
        self.server_gone = ""
        self._events: deque[PortEvent] = deque()
        self._started_s = round(time.time(), 1)
        self._since_s: dict[tuple[str, str], float] = {}  # Unix time, for the player's eye alone
        self._links: tuple[PortLink, ...] = ()
        self._look_at_s = 0.0
        self._release_at_s: dict[str, float] = {}  # by output: what is owed goes a last time
        self.watch = Watch(patch, (), time.monotonic())
        self._sysex_end = SysExEnd(patch)
        self.replace(rig, self.prepare(rig), time.monotonic())

    def prepare(self, rig: Rig) -> NewPorts:
        """Open the ports that a rig needs and that are not open yet.

        Raises:
            PortError: one can't be opened; then none is.
        """
        new = NewPorts()
        if self._lacks_ports(rig) and not self._patch.answers(self._pause):
            raise ServerSilentError("the JACK server does not answer")
        try:
            for source in rig.inputs:
                self._pause()
                if source.name not in self.ins:
                    new.ins[source.name] = MidiIn(
                        source.name,
                        self._inbox,
                        self._wake_fd,
                        self._patch,
                        interruptions=self._interruptions,
                    )
                if source.lights and source.name not in self.lights:
                    new.lights[source.name] = MidiOut(_lights(source.name), self._patch)
            for output in rig.outputs:
                self._pause()
                if output.name not in self.outs:
                    new.outs[output.name] = MidiOut(output.name, self._patch)
        except Exception as error:
            if not self._patch.answers(self._pause):
                raise ServerSilentError("the JACK server has gone") from error
            new.close()
            if isinstance(error, PortError):
                raise
            raise PortError(f"a port can't be opened: {error}") from error
        return new

    def _lacks_ports(self, rig: Rig) -> bool:
        return (
            any(source.name not in self.ins for source in rig.inputs)
            or any(source.lights and source.name not in self.lights for source in rig.inputs)
            or any(output.name not in self.outs for output in rig.outputs)
        )

    def replace(self, rig: Rig, new: NewPorts, now_s: float) -> None:
        """Use a rig, with the ports that ``prepare`` opened for it; close what it lacks."""
        self.ins.update(new.ins)
        self.outs.update(new.outs)
        self.lights.update(new.lights)
        self._links = tuple(_links(rig))
        self._sysex_end.use(source.name for source in rig.inputs)
        self.watch.replace(self._links, now_s)
        inputs = {i.name for i in rig.inputs}
        outputs = {output.name for output in rig.outputs}
        lit = {i.name for i in rig.inputs if i.lights}
        for name in [name for name in self.ins if name not in inputs]:
            self.ins.pop(name).close()
        if not self._release_at_s.keys() <= outputs:
            self.release_again()
        for name in [name for name in self.outs if name not in outputs]:
            self.outs[name].drain()
            self.outs.pop(name).close()
        for name in [name for name in self.lights if name not in lit]:
            self._command(LightsLost(name))
            self.lights[name].drain()
            self.lights.pop(name).close()

    def connect_first(self) -> None:
        """Connect what is present, for at most ``FIRST_LOOK_S``, before the first log line."""
        end_s = time.monotonic() + FIRST_LOOK_S
        while time.monotonic() < end_s:
            now_s = time.monotonic()
            for event in self.watch.poll(now_s):
                self._handle(event, quiet=True)
            if all(self.watch.state(link) != "unknown" for link in self._links):
                return
            select.select([self.watch.fileno()], (), (), 0.005)

    def poll(self, now_s: float) -> None:
        """Handle devices that came or went."""
        self._look_at_s = now_s + self._patch.look_every_s
        self._sysex_end.step(now_s)
        self._events += self.watch.poll(now_s)
        while self._events:
            self._handle(self._events.popleft())
        self.release_again(now_s)

    @property
    def due_s(self) -> float:
        """When ``poll`` has something to do."""
        rest = self._release_at_s.values()
        return min(self.watch.due_s, self._sysex_end.due_s, self._look_at_s, *rest)

    def _handle(self, event: PortEvent, quiet: bool = False) -> None:
        if not quiet or event.kind in (
            "ambiguous",
            "forbidden",
        ):  # the first line has no room for why
            self._journal.log(event.text)
        if event.kind != "overrun":
            self._since_s[event.direction, event.name] = round(time.time(), 1)
        if event.kind == "server":
            self.server_gone = event.text
        elif event.direction == "in":
            if event.kind in ("lost", "overrun"):
                self._command(SourceLost(event.name))
        elif event.name in (lights := {_lights(name): name for name in self.lights}):
            name = lights[event.name]
            self._command(LightsBack(name) if event.kind == "connected" else LightsLost(name))
        elif event.kind == "lost":
            self._release_at_s.pop(event.name, None)
            self._command(OutputLost(event.name))
        elif event.kind == "connected":
            self._release_leftover(event.name, last=self._patch.backend == "alsa")
            self._command(OutputBack(event.name))

    def release_again(self, until_s: float = float("inf")) -> None:
        """Send a last time what is owed; all of it at a stop, which drains the outputs then."""
        for name in [name for name, at_s in self._release_at_s.items() if at_s <= until_s]:
            del self._release_at_s[name]
            self._release_leftover(name, last=True)

    def _release_leftover(self, name: str, last: bool) -> None:
        """Send the note-offs that a crashed process could not send (N12).

        The marks stay until they were sent for the last time; what was struck anew is left alone.
        """
        port = self.outs.get(name)
        if port is None:  # a reload took it away
            return
        for channel, note in self._mirror.owed(name):
            if port.send(midi.encode(midi.NoteOff(channel, note))) and last:
                self._mirror.clear(name, channel, note, port.handed_over_at())
        if self._mirror.owed(name):
            self._release_at_s[name] = time.monotonic() + RELEASE_AGAIN_S

    def states(self) -> list[PortStatus]:
        """Return the state of each port: device, state, since when, faults."""
        return [
            {
                "name": link.name,
                "direction": link.direction,
                "state": _state_word(self.watch.state(link)),
                "since_s": self._since_s.get((link.direction, link.name), self._started_s),
                "port": link.port,
                "faults": faults,
                "last_fault": last_fault,
            }
            for link in self._links
            for faults, last_fault in (self._faults(link),)
        ]

    def _faults(self, link: PortLink) -> tuple[int, str]:
        """Return the count of unsent messages of a port, and the last reason."""
        if link.direction == "in":
            return 0, ""
        out = self.outs.get(link.name) or self.lights[link.name.removesuffix(LIGHTS)]
        return out.faults, out.last_fault

    def summary(self, engine: Engine) -> str:
        """Return one line: what is connected and what is missing."""
        there: list[str] = []
        away: list[str] = []
        for link in self._links:
            side = "input" if link.direction == "in" else "output"
            state = self.watch.state(link)
            if state == "connected":
                there.append(f"{side} {link.name}")
            else:
                away.append(f"{side} {link.name} ({_state_word(state)}: {link.port})")
        text = (
            f"zerobeat plays {counted(len(engine.states), 'voice')}, scene {engine.live.scene.name}"
        )
        text += f"; connected: {', '.join(there) or 'nothing'}"
        return f"{text}; waiting for: {', '.join(away)}" if away else text

    def take_no_more(self) -> None:
        """Drop what arrives from now on; the inputs are closed later."""
        for port in self.ins.values():
            port.takes = False

    def drain(self) -> bool:
        """Return once all that was sent has left; False if that is not sure."""
        drained = [out.drain() for out in (*self.outs.values(), *self.lights.values())]
        return all(drained)

    def close(self) -> None:
        """Close all ports; the outputs were drained before."""
        for source in self.ins.values():
            source.close()
        for out in (*self.outs.values(), *self.lights.values()):
            out.close()
        self._sysex_end.close()


def _state_word(state: str) -> str:
    return "missing" if state == "unknown" else state


def _lights(name: str) -> str:
    return f"{name}{LIGHTS}"


def _links(rig: Rig) -> list[PortLink]:
    links = [PortLink(i.name, "in", i.port, i.port_is_pattern) for i in rig.inputs]
    links += [PortLink(o.name, "out", o.port, o.port_is_pattern) for o in rig.outputs]
    return links + [
        PortLink(_lights(i.name), "out", i.lights, i.lights_is_pattern)
        for i in rig.inputs
        if i.lights
    ]
