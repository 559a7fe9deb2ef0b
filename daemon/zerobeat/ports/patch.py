"""Which of the player's ports is meant, and the two backends that connect ours to it.

The daemon's own ports are opened once and stay open; a ``Patch`` connects them
to the player's devices, again and again as those come and go. They are seen,
on ALSA (``aconnect -l``) and on JACK (``jack_lsp``) alike, as

    zerobeat in NAME:midi       listens to the input NAME of the rig
    zerobeat out NAME:midi      plays to the output NAME of the rig
    zerobeat watch              watches and connects; it has no MIDI of its own

A device is named ``client:port``, as ``zerobeat ports`` lists it, without the
numbers that change from boot to boot. Where two devices bear one name, what
tells them apart follows in square brackets, ``Stage Keys:MIDI 1 [usb 1-1.2]``
(the socket it is plugged into) or ``[serial 0042]``.
"""

from __future__ import annotations

import os
import pwd
import re
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal, Protocol

from ..errors import PortError

Backend = Literal["alsa", "jack"]
Direction = Literal["in", "out"]

SEQUENCER = Path("/dev/snd/seq")
THROUGH = "Midi Through"  # the kernel's own loop-back client
WATCH_CLIENT = "zerobeat watch"
OWN_PORT = "midi"
_NUMBERS = re.compile(r" \d+:\d+$")
_IDENTITY = re.compile(r" \[([^\[\]]+)\]$")


@dataclass(frozen=True, slots=True)
class PortName:
    """A port that is there now.

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
class Found:
    """Exactly one port is meant."""

    port: PortName


@dataclass(frozen=True, slots=True)
class Missing:
    """The port is not there (yet). ``text`` is one line for the player."""

    text: str


@dataclass(frozen=True, slots=True)
class Ambiguous:
    """More than one port could be meant; none is connected."""

    text: str


@dataclass(frozen=True, slots=True)
class Forbidden:
    """The port is there, or the name can be read, but connecting would be wrong."""

    text: str


Finding = Found | Missing | Ambiguous | Forbidden


class Patch(Protocol):
    """One client that sees and connects ports; made once, for the daemon's life."""

    backend: Backend
    alive: bool  # False once the JACK server has gone: then nothing may be sent

    def fileno(self) -> int:
        """Return a descriptor to poll: readable when ports or connections changed."""

    def heard(self) -> bool:
        """Take what was announced off ``fileno``; True if anything was."""

    def ports(self) -> list[PortName]:
        """Return the ports there are, own ones marked."""

    def connected(self, source: PortName, destination: PortName) -> bool:
        """Ask the system, not memory, whether MIDI flows from one to the other."""

    def connect(self, source: PortName, destination: PortName) -> None:
        """Connect; nothing happens if it is connected.

        Raises:
            PortError: one of them has gone, or the system refused.
        """

    def disconnect(self, source: PortName, destination: PortName) -> None:
        """Disconnect; nothing happens if it is not connected."""

    def isolate(self, client_name: str) -> None:
        """Disconnect whatever plays to a port of our own."""

    def cycles(self) -> int:
        """Return a number that changes with each period of the server; 0 on ALSA."""

    def overruns(self) -> dict[str, int]:
        """Return how often the system dropped input, by own client name, where known."""

    def other_daemon(self) -> int | None:
        """Return the process number of another zerobeat with ports here; None if there is none."""

    def close(self) -> None:
        """Close the client; a second time does nothing."""


def own_client(direction: Direction, name: str) -> str:
    """Return the client name of the daemon's port for a rig's input or output.

    >>> own_client("in", "keys")
    'zerobeat in keys'
    """
    return f"zerobeat {direction} {name}"


def find(
    wanted: str,
    ports: Iterable[PortName],
    direction: Direction,
    is_pattern: bool = False,
) -> Finding:
    """Return the one port that a name from the rig means, or why there is none.

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
        return Forbidden(
            f'port "{wanted}": client numbers change from boot to boot; write "{stable}"'
        )
    if is_pattern:
        name, identity = _split(wanted)
        matching = [port for port in there if fnmatchcase(port.text, name)]
        allowed = [port for port in matching if not port.own and port.client != THROUGH]
        if allowed or matching:
            return _one(wanted, allowed or matching[:1], identity)
    kind = "pattern" if is_pattern else "port"
    return Missing(f'{kind} "{wanted}" is not there; waiting for it')


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


def _one(wanted: str, matching: Sequence[PortName], identity: str) -> Finding:
    if identity:
        same = [port for port in matching if identity in port.identity]
        if not same:
            return Missing(f'port "{wanted}" is not there; waiting for it')
        matching = same
    if len(matching) > 1:
        return Ambiguous(_ambiguous(wanted, matching))
    port = matching[0]
    if port.own:
        return Forbidden(f'port "{wanted}" is zerobeat\'s own; it would hear itself')
    if port.client == THROUGH and port.text != _split(wanted)[0]:
        return Forbidden(f'port "{wanted}" only matches "{port.text}", a loop; name it to use it')
    return Found(port)


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


def wait_periods(patch: Patch, count: int, timeout_s: float) -> bool:
    """Return True once so many periods of the JACK server have begun, False if not in time."""
    end_s = time.monotonic() + timeout_s
    for _ in range(count):
        period = patch.cycles()
        while patch.cycles() == period:
            if not patch.alive or time.monotonic() > end_s:
                return False
            time.sleep(0.001)
    return True


def choose_backend(asked: Literal["auto", "alsa", "jack"] = "auto") -> Backend:
    """Return the backend to use: ALSA's sequencer where there is one, else JACK.

    Raises:
        PortError: "auto", and this machine has neither.
    """
    if asked != "auto":
        return asked
    if SEQUENCER.exists():
        return "alsa"
    if jack_socket() is not None:
        return "jack"
    raise PortError(
        f"no MIDI here: {SEQUENCER} is missing (try: modprobe snd-seq) and no JACK server runs"
    )


def jack_socket() -> Path | None:
    """Return the socket of the JACK server that clients of this user would reach."""
    server = os.environ.get("JACK_DEFAULT_SERVER", "default")
    owner = "" if "JACK_PROMISCUOUS_SERVER" in os.environ else f"_{os.getuid()}"
    for folder in ("/dev/shm", "/tmp"):  # jackd2 on Linux; before 1.9.12
        path = Path(folder, f"jack_{server}{owner}_0")
        if path.exists():
            return path
    return None


def check_sequencer(path: Path = SEQUENCER) -> None:
    """Raise PortError, with what to do, if ALSA's sequencer can't be opened."""
    if not path.exists():
        raise PortError(f"no ALSA sequencer: {path} is missing; load it: modprobe snd-seq")
    if not os.access(path, os.R_OK | os.W_OK):
        raise PortError(
            f"{path}: permission denied; put user {_user()} into group audio and log in again"
        )


def _user() -> str:
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())


def need(module: str, package: str, remedy: str) -> PortError:
    """Return the error for a library that can't be imported."""
    return PortError(f"python library {module} is missing; install {package}: {remedy}")


def open_patch(backend: Backend) -> Patch:
    """Open the one client that watches and connects.

    Raises:
        PortError: no sequencer, no right to it, no server, or a library is missing.
    """
    if backend == "alsa":
        check_sequencer()
        from .patch_alsa import AlsaPatch

        return AlsaPatch()
    from .patch_jack import JackPatch

    return JackPatch()
