"""Matches a port name in the rig against the ports that are present.

A device is named ``client:port``, as ``zerobeat ports`` lists it, without the
numbers that change from boot to boot. Where two devices bear one name, what
tells them apart follows in square brackets, ``Stage Keys:MIDI 1 [usb 1-1.2]``
(the socket it is plugged into) or ``[serial 0042]``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

Direction = Literal["in", "out"]

THROUGH = "Midi Through"  # the kernel's own loop-back client
_NUMBERS = re.compile(r" \d+:\d+$")
_IDENTITY = re.compile(r" \[([^\[\]]+)\]$")


@dataclass(frozen=True, slots=True)
class PortName:
    """A port that is present now.

    ``direction`` is ours: "in" can be listened to, "out" can be played to.
    ``identity`` holds what tells two devices of one name apart, best first,
    such as ``("serial 0042", "usb 1-1.2")``; empty for programs and on JACK.
    ``address`` is the backend's own handle, good until the port goes.
    ``own`` marks a port of this process.
    """

    client: str
    port: str
    direction: Direction
    identity: tuple[str, ...] = ()
    address: object = None
    own: bool = False

    @property
    def text(self) -> str:
        return f"{self.client}:{self.port}"


@dataclass(frozen=True, slots=True)
class PortFound:
    """Exactly one port matches."""

    port: PortName


@dataclass(frozen=True, slots=True)
class PortMissing:
    """No port matches (yet). ``text`` is one line for the player."""

    text: str


@dataclass(frozen=True, slots=True)
class PortAmbiguous:
    """Several ports match; none is connected."""

    text: str


@dataclass(frozen=True, slots=True)
class PortForbidden:
    """A port matches, but connecting to it would be wrong."""

    text: str


PortMatch = PortFound | PortMissing | PortAmbiguous | PortForbidden


def find(
    wanted: str,
    ports: Iterable[PortName],
    direction: Direction,
    is_pattern: bool = False,
) -> PortMatch:
    """Return the one port that matches a name from the rig, or why there is none.

    Args:
        wanted: ``client:port``, perhaps followed by `` [identity]``.
        ports: what is there now.
        direction: "in" for a port to listen to, "out" for one to play to.
        is_pattern: ``wanted`` is a shell pattern; it must match exactly one port. A port
            of exactly that name still wins.

    The daemon's own ports are never connected, ``Midi Through`` only by its exact name.
    """
    there = [port for port in ports if port.direction == direction]
    exact, identity = _exact(wanted, there)
    if exact:
        return _one(wanted, exact, identity)
    stable = _NUMBERS.sub("", wanted)
    if stable != wanted:
        return PortForbidden(
            f'port "{wanted}": client numbers change from boot to boot; write "{stable}"'
        )
    if is_pattern:
        name, identity = _split(wanted)
        matching = [port for port in there if fnmatchcase(port.text, name)]
        allowed = [port for port in matching if not port.own and port.client != THROUGH]
        if allowed or matching:
            return _one(wanted, allowed or matching[:1], identity)
    kind = "pattern" if is_pattern else "port"
    return PortMissing(f'{kind} "{wanted}" is not there; waiting for it')


def _split(wanted: str) -> tuple[str, str]:
    match = _IDENTITY.search(wanted)
    return (wanted[: match.start()], match[1]) if match else (wanted, "")


def _exact(wanted: str, there: Sequence[PortName]) -> tuple[list[PortName], str]:
    """Return the ports of exactly this name; a name may itself end in brackets."""
    whole = [port for port in there if port.text == wanted]
    if whole:
        return whole, ""
    name, identity = _split(wanted)
    return [port for port in there if identity and port.text == name], identity


def _one(wanted: str, matching: Sequence[PortName], identity: str) -> PortMatch:
    if identity:
        same = [port for port in matching if identity in port.identity]
        if not same:
            return PortMissing(f'port "{wanted}" is not there; waiting for it')
        matching = same
    if len(matching) > 1:
        return PortAmbiguous(_ambiguous(wanted, matching))
    port = matching[0]
    if port.own:
        return PortForbidden(f'port "{wanted}" is zerobeat\'s own; it would hear itself')
    if port.client == THROUGH and port.text != _split(wanted)[0]:
        return PortForbidden(
            f'port "{wanted}" only matches "{port.text}", a loop; name it to use it'
        )
    return PortFound(port)


def _ambiguous(wanted: str, matching: Sequence[PortName]) -> str:
    """Return the line that lists all candidates, with what to write to get each."""
    names = [port.text for port in matching]
    choices = []
    for port in matching:
        others = [other for other in matching if other is not port and other.text == port.text]
        telling = (
            word for word in port.identity if not any(word in other.identity for other in others)
        )
        if not others:
            choices.append(port.text)
        else:
            choices.append(next((f"{port.text} [{word}]" for word in telling), ""))
    if all(choices):
        return f'port "{wanted}" could be any of {len(names)}; write ' + " or ".join(
            f'"{choice}"' for choice in sorted(choices)
        )
    listed = ", ".join(f'"{name}"' for name in sorted(names))
    return f'port "{wanted}" could be any of {len(names)}, nothing tells them apart: {listed}'
