"""Devices come and go: keep the daemon's ports connected to what the rig names.

No error ever tells that a device went (M1), and announcements come early or
get lost (M2). So an announcement only means "look at everything, shortly", a
slow look heals what was missed, and each look asks the system for the
connection itself: a device that went and came back in between is found too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from ..errors import PortError
from .patch import OWN_PORT, Patch, own_client
from .port_name import Ambiguous, Direction, Finding, Forbidden, Found, Missing, PortName, find

PERIOD_S = 0.003  # of a JACK server, about
PERIODS_TO_SETTLE = 4
DEBOUNCE_S = 0.05  # a USB device announces its client, then its ports
RECONCILE_S = 2.0
ALONE_S = 1.0  # without a sign of life the JACK server counts as dead

State = Literal["unknown", "connected", "missing", "ambiguous", "forbidden"]
Kind = Literal["connected", "lost", "missing", "ambiguous", "forbidden", "overrun", "server"]


@dataclass(frozen=True, slots=True)
class Link:
    """An input or output of the rig and the device it is to be connected to.

    ``direction`` "in": the device plays to us; "out": we play to it.
    """

    name: str
    direction: Direction
    port: str
    port_is_pattern: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """What a look found changed.

    ``connected``: MIDI flows; an output now wants its bend range, a drone its key.
    ``lost``: it flowed and does no more; release what this input holds, and
    take what sounds on this output as unknown. A device that went and came back
    between two looks gives ``lost`` and then ``connected``.
    ``missing``, ``ambiguous``, ``forbidden``: why there is no connection; told
    once, and again when the reason changes.
    ``overrun``: the system dropped messages of this input; release what it holds.
    ``server``: the JACK server has gone; nothing can be sent, start again.
    ``name`` and ``direction`` are the link's; empty and "in" for ``server``.
    ``text`` is one line for the player.
    """

    kind: Kind
    name: str
    direction: Direction
    text: str


class Watch:
    """Connects each link, and connects it again.

    Args:
        patch: the backend; its ``fileno`` is the watch's.
        links: what the rig names.
        now_s: a monotonic time, seconds. The first look is due at once.

    Poll ``fileno()``; call ``look`` when it is readable and when ``due_s`` comes.
    """

    def __init__(self, patch: Patch, links: Iterable[Link], now_s: float) -> None:
        self.due_s = now_s
        self._patch = patch
        self._links = tuple(links)
        self._states: dict[Link, State] = {}
        self._texts: dict[Link, str] = {}
        self._seen: dict[Link, int] = {}  # periods that a new connection was there
        self._devices: dict[Link, PortName] = {}
        self._overruns = patch.overruns()
        self._cycles = patch.cycles()
        self._looked_cycles = -1
        self._alive_s = now_s
        self._now_s = now_s
        self._server_told = False

    def fileno(self) -> int:
        return self._patch.fileno()

    def state(self, link: Link) -> State:
        """Return how a link stands since the last look."""
        return self._states.get(link, "unknown")

    def replace(self, links: Iterable[Link], now_s: float) -> None:
        """Take a new rig's links; those that are gone or changed are disconnected."""
        kept = tuple(links)
        for link, device in list(self._devices.items()):
            if link not in kept:
                own = self._own(link, self._patch.ports())
                if own is not None:
                    self._patch.disconnect(*_pair(link, own, device))
        for known in (self._states, self._texts, self._devices, self._seen):
            for link in [link for link in known if link not in kept]:
                del known[link]
        self._links = kept
        self.due_s = now_s

    def look(self, now_s: float) -> list[Event]:
        """Take announcements; if a look is due, compare, connect and report.

        Returns:
            What changed since the last look, in the rig's order; often nothing.
        """
        if self._patch.heard():
            self.due_s = min(self.due_s, now_s + DEBOUNCE_S)
        self._see_server(now_s)
        if not self._patch.alive:
            return self._server_gone(now_s)
        if now_s < self.due_s:
            return []
        if self._patch.backend == "jack" and self._cycles == self._looked_cycles:
            # A connection shows in JACK's graph from the next period on; and a server that
            # hangs would let a request wait for ever.
            self.due_s = now_s + PERIOD_S
            return []
        self.due_s = now_s + RECONCILE_S
        self._now_s = now_s
        ports = self._patch.ports()
        events: list[Event] = []
        for link in self._links:
            self._look_at(link, ports, events)
        self._look_for_overruns(events)
        self._looked_cycles = self._patch.cycles()
        return events

    def _look_at(self, link: Link, ports: list[PortName], events: list[Event]) -> None:
        own = self._own(link, ports)
        if own is None:  # not opened yet
            return
        device = self._devices.get(link)
        if device in ports and self._patch.connected(*_pair(link, own, device)):
            return  # a second device of this name changes nothing while the first plays
        if device is not None:
            self._devices.pop(link)
            self._tell(link, "lost", f"{_label(link)}: lost {device.text}", events)
        finding = find(link.port, ports, link.direction, link.port_is_pattern)
        if isinstance(finding, Found):
            finding = self._connect(link, own, finding.port)
        if isinstance(finding, Found):
            if not self._settled(link, own, finding.port):
                return
            self._devices[link] = finding.port
            text = f"{_label(link)}: connected to {finding.port.text}"
            self._tell(link, "connected", text, events)
        else:
            self._seen.pop(link, None)
            self._tell(link, _kind(finding), f"{_label(link)}: {finding.text}", events)

    def _settled(self, link: Link, own: PortName, device: PortName) -> bool:
        """Return True once what is sent over a new connection arrives.

        JACK takes a connection at the start of a later period, and a receiver that is not
        asked in that one hears nothing of it; each look here is in another period.
        """
        if self._patch.backend != "jack":
            return True
        seen = 0
        if self._patch.connected(*_pair(link, own, device)):
            seen = self._seen.get(link, 0) + 1
        self._seen[link] = seen
        if seen >= PERIODS_TO_SETTLE:
            del self._seen[link]
            return True
        self.due_s = min(self.due_s, self._now_s + PERIOD_S)
        return False

    def _connect(self, link: Link, own: PortName, device: PortName) -> Finding:
        try:
            self._patch.connect(*_pair(link, own, device))
        except PortError as error:
            return Missing(f"could not be connected, will try again: {error}")
        return Found(device)

    def _tell(self, link: Link, kind: Kind, text: str, events: list[Event]) -> None:
        if kind != "lost":
            if self._texts.get(link) == text:
                return
            self._states[link] = _STATES[kind]
        self._texts[link] = text
        events.append(Event(kind, link.name, link.direction, text))

    def _own(self, link: Link, ports: list[PortName]) -> PortName | None:
        client = own_client(link.direction, link.name)
        other: Direction = "out" if link.direction == "in" else "in"
        for port in ports:
            if port.own and (port.client, port.port, port.direction) == (
                client,
                OWN_PORT,
                other,
            ):
                return port
        return None

    def _look_for_overruns(self, events: list[Event]) -> None:
        counts = self._patch.overruns()
        for link in self._links:
            client = own_client(link.direction, link.name)
            if link.direction == "in" and counts.get(client, 0) > self._overruns.get(client, 0):
                text = f"{_label(link)}: more came than could be taken; its notes are released"
                events.append(Event("overrun", link.name, link.direction, text))
        self._overruns = counts

    def _see_server(self, now_s: float) -> None:
        """Notice a JACK server that hangs: it is there, but its periods don't pass."""
        if self._patch.backend != "jack":
            return
        cycles = self._patch.cycles()
        if cycles != self._cycles:
            self._cycles, self._alive_s = cycles, now_s
        elif now_s - self._alive_s > ALONE_S:
            self._patch.alive = False

    def _server_gone(self, now_s: float) -> list[Event]:
        self.due_s = float("inf")
        if self._server_told:
            return []
        self._server_told = True
        events: list[Event] = []
        for link in [link for link in self._links if link in self._devices]:
            device = self._devices.pop(link)
            self._tell(link, "lost", f"{_label(link)}: lost {device.text}", events)
            self._states[link] = "missing"
        text = "the JACK server has gone; start it, then zerobeat, again"
        return [*events, Event("server", "", "in", text)]


_STATES: dict[Kind, State] = {
    "connected": "connected",
    "missing": "missing",
    "ambiguous": "ambiguous",
    "forbidden": "forbidden",
}


def _kind(finding: Missing | Ambiguous | Forbidden) -> Kind:
    if isinstance(finding, Missing):
        return "missing"
    return "ambiguous" if isinstance(finding, Ambiguous) else "forbidden"


def _label(link: Link) -> str:
    return f"{'input' if link.direction == 'in' else 'output'} {link.name}"


def _pair(link: Link, own: PortName, device: PortName) -> tuple[PortName, PortName]:
    """Return source and destination."""
    return (device, own) if link.direction == "in" else (own, device)
