"""Keeps the daemon's ports connected to the devices that the rig names, as they come and go.

No error reports an unplugged device (M1), and announcements come early or get lost (M2).
So an announcement only means "check all ports, shortly", a slow periodic check heals what
was missed, and each check asks the system for the connection itself: a device that went
and came back in between is found too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from ..errors import PortError
from ..text import printable
from .patch import OWN_PORT, Patch, own_client
from .port_name import (
    Direction,
    PortAmbiguous,
    PortForbidden,
    PortFound,
    PortMatch,
    PortMissing,
    PortName,
    find,
)

PERIOD_S = 0.003  # of a JACK server, about
PERIODS_TO_SETTLE = 4
DEBOUNCE_S = 0.05  # a USB device announces its client, then its ports
RECONCILE_S = 2.0
SERVER_SILENT_S = 1.0  # without a period the JACK server counts as dead

LinkState = Literal["unknown", "connected", "missing", "ambiguous", "forbidden"]
PortEventKind = Literal[
    "connected", "lost", "missing", "ambiguous", "forbidden", "overrun", "server"
]


@dataclass(frozen=True, slots=True)
class PortLink:
    """An input or output of the rig and the device it is to be connected to.

    ``direction`` "in": the device plays to us; "out": we play to it.
    """

    name: str
    direction: Direction
    port: str
    port_is_pattern: bool = False


@dataclass(frozen=True, slots=True)
class PortEvent:
    """A change that a check found.

    ``connected``: MIDI flows; an output now wants its bend range, a drone its key.
    ``lost``: the connection has gone; release what this input holds, and
    treat what sounds on this output as unknown. A device that went and came back
    between two checks gives ``lost`` and then ``connected``.
    ``missing``, ``ambiguous``, ``forbidden``: why there is no connection; reported
    once, and again when the reason changes.
    ``overrun``: the system dropped messages of this input; release what it holds.
    ``server``: the JACK server has gone or hangs; nothing can be sent, start again.
    ``name`` and ``direction`` are the link's; empty and "in" for ``server``.
    ``text`` is one line for the player.
    """

    kind: PortEventKind
    name: str
    direction: Direction
    text: str


class Watch:
    """Connects each link, and reconnects it.

    Args:
        patch: the backend; its ``fileno`` is the watch's.
        links: what the rig names.
        now_s: a monotonic time, seconds. The first check is due at once.

    Wait for ``fileno()``; call ``poll`` when it is readable, at ``due_s``, and as often as the
    patch wants to be asked.
    """

    def __init__(self, patch: Patch, links: Iterable[PortLink], now_s: float) -> None:
        self.due_s = now_s
        self._patch = patch
        self._links = tuple(links)
        self._states: dict[PortLink, LinkState] = {}
        self._texts: dict[PortLink, str] = {}
        self._seen: dict[PortLink, int] = {}  # periods that a new connection was there
        self._devices: dict[PortLink, PortName] = {}
        self._overruns = patch.overruns()
        self._cycles = patch.cycles()
        self._polled_cycles = -1
        self._alive_s = self._checked_s = now_s
        self._now_s = now_s
        self._server_reported = False
        self._pending: list[PortEvent] = []  # of a check that an exception ended

    def fileno(self) -> int:
        return self._patch.fileno()

    def state(self, link: PortLink) -> LinkState:
        """Return the state of a link at the last check."""
        return self._states.get(link, "unknown")

    def replace(self, links: Iterable[PortLink], now_s: float) -> None:
        """Use a new rig's links; those that are gone or changed are disconnected."""
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

    def poll(self, now_s: float) -> list[PortEvent]:
        """Read announcements; if a check is due, compare, connect and report.

        Returns:
            What changed since the last check, in the rig's order; often nothing.
        """
        if self._patch.heard():
            self.due_s = min(self.due_s, now_s + DEBOUNCE_S)
        self._check_server(now_s)
        if not self._patch.alive:
            return self._server_gone(now_s)
        if now_s < self.due_s:
            return []
        if self._patch.backend == "jack" and self._cycles == self._polled_cycles:
            # A connection shows in JACK's graph from the next period on; and a server that
            # hangs would let a request wait for ever.
            self.due_s = now_s + PERIOD_S
            return []
        self.due_s = now_s + RECONCILE_S
        self._now_s = now_s
        ports = self._patch.ports()
        events = self._pending
        for link in self._links:
            self._check_link(link, ports, events)
        self._check_overruns(events)
        self._polled_cycles = self._patch.cycles()
        self._pending = []
        return events

    def _check_link(self, link: PortLink, ports: list[PortName], events: list[PortEvent]) -> None:
        own = self._own(link, ports)
        if own is None:  # not opened yet
            return
        device = self._devices.get(link)
        if device in ports and self._patch.connected(*_pair(link, own, device)):
            return  # a second device of this name changes nothing while the first plays
        if device is not None:
            self._devices.pop(link)
            self._report(link, "lost", f"{_label(link)}: lost {device.text}", events)
        match = find(link.port, ports, link.direction, link.port_is_pattern)
        if isinstance(match, PortFound):
            match = self._connect(link, own, match.port)
        if isinstance(match, PortFound):
            if not self._settled(link, own, match.port):
                return
            self._devices[link] = match.port
            text = f"{_label(link)}: connected to {match.port.text}"
            self._report(link, "connected", text, events)
        else:
            self._seen.pop(link, None)
            self._report(link, _kind(match), f"{_label(link)}: {match.text}", events)

    def _settled(self, link: PortLink, own: PortName, device: PortName) -> bool:
        """Return True once what is sent over a new connection arrives.

        JACK takes a connection at the start of a later period, and a receiver that is not
        asked in that one receives nothing of it; each check here is in another period.
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

    def _connect(self, link: PortLink, own: PortName, device: PortName) -> PortMatch:
        try:
            self._patch.connect(*_pair(link, own, device))
        except PortError as error:
            return PortMissing(f"could not be connected, will try again: {error}")
        return PortFound(device)

    def _report(
        self, link: PortLink, kind: PortEventKind, text: str, events: list[PortEvent]
    ) -> None:
        if kind != "lost":
            if self._texts.get(link) == text:
                return
            self._states[link] = _STATES[kind]
        self._texts[link] = text
        events.append(PortEvent(kind, link.name, link.direction, printable(text)))

    def _own(self, link: PortLink, ports: list[PortName]) -> PortName | None:
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

    def _check_overruns(self, events: list[PortEvent]) -> None:
        counts = self._patch.overruns()
        for link in self._links:
            client = own_client(link.direction, link.name)
            if link.direction == "in" and counts.get(client, 0) > self._overruns.get(client, 0):
                text = f"{_label(link)}: more came than could be taken; its notes are released"
                events.append(PortEvent("overrun", link.name, link.direction, text))
        self._overruns = counts

    def _check_server(self, now_s: float) -> None:
        """Notice a JACK server that hangs: it runs, but its periods don't pass."""
        if self._patch.backend != "jack":
            return
        cycles = self._patch.cycles()
        stood_still = now_s - self._checked_s > SERVER_SILENT_S / 2  # this process did
        self._checked_s = now_s
        if cycles != self._cycles or stood_still:
            self._cycles, self._alive_s = cycles, now_s
        elif now_s - self._alive_s > SERVER_SILENT_S:
            self._patch.alive = False

    def _server_gone(self, now_s: float) -> list[PortEvent]:
        self.due_s = float("inf")
        if self._server_reported:
            return []
        self._server_reported = True
        events: list[PortEvent] = []
        for link in [link for link in self._links if link in self._devices]:
            device = self._devices.pop(link)
            self._report(link, "lost", f"{_label(link)}: lost {device.text}", events)
            self._states[link] = "missing"
        text = "the JACK server has gone; what sounds is released when it is back"
        return [*events, PortEvent("server", "", "in", text)]


_STATES: dict[PortEventKind, LinkState] = {
    "connected": "connected",
    "missing": "missing",
    "ambiguous": "ambiguous",
    "forbidden": "forbidden",
}


def _kind(match: PortMissing | PortAmbiguous | PortForbidden) -> PortEventKind:
    if isinstance(match, PortMissing):
        return "missing"
    return "ambiguous" if isinstance(match, PortAmbiguous) else "forbidden"


def _label(link: PortLink) -> str:
    return f"{'input' if link.direction == 'in' else 'output'} {link.name}"


def _pair(link: PortLink, own: PortName, device: PortName) -> tuple[PortName, PortName]:
    """Return source and destination."""
    return (device, own) if link.direction == "in" else (own, device)
