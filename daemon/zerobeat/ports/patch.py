"""The two backends that connect our ports to the player's.

The daemon's own ports are opened once and stay open; a ``Patch`` connects them
to the player's devices, again and again as those come and go. They are seen,
on ALSA (``aconnect -l``) and on JACK (``jack_lsp``) alike, as

    zerobeat in NAME:midi       listens to the input NAME of the rig
    zerobeat out NAME:midi      plays to the output NAME of the rig
    zerobeat watch              watches and connects; it has no MIDI of its own
    zerobeat sysex end:midi     JACK only: ends system exclusive messages left open
"""

from __future__ import annotations

import os
import pwd
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal, Protocol

from ..errors import PortError
from .port_name import Direction, PortName

Backend = Literal["alsa", "jack"]

SEQUENCER = Path("/dev/snd/seq")
WATCH_CLIENT = "zerobeat watch"
SYSEX_END_CLIENT = "zerobeat sysex end"
OWN_PORT = "midi"
LONGEST_SERVER = 80  # bytes: the path of its socket, with a user's number, has 107
LONGEST_CLIENT = 63  # bytes: jack_client_name_size(), and snd_seq_client_info of the kernel


class Patch(Protocol):
    """One client that sees and connects ports; made once, for the daemon's life."""

    backend: Backend
    alive: bool  # False once the JACK server has gone: then nothing may be sent
    frames_to_leave: int  # of ``cycles``, until a message has left that was sent
    look_every_s: float  # how often ``heard`` is to be asked although ``fileno`` says nothing
    collect_every_s: float  # how often ``MidiIn.collect`` is to be called; inf: no need

    def fileno(self) -> int:
        """Return a descriptor to poll: readable when ports or connections changed."""

    def heard(self) -> bool:
        """Read all announcements from ``fileno``; True if there were any."""

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
        """Return the server's time in frames, which rises with each period; 0 on ALSA."""

    def answers(self, pause: Callable[[], None]) -> bool:
        """Return whether the server answers; calls ``pause`` while it waits for it."""

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


def check_client_name(client: str, backend: Backend) -> None:
    """Refuse a name that the backend would cut or could not find again.

    Raises:
        PortError: too long, or on JACK with a colon, which ends a client's name there.
    """
    size = len(client.encode("utf-8", "replace"))
    if size > LONGEST_CLIENT:
        over = size - LONGEST_CLIENT
        raise PortError(f'port "{client}": found {size} bytes; make its name {over} bytes shorter')
    if backend == "jack" and ":" in client:
        raise PortError(f'port "{client}": found a colon; allowed on JACK: a name without one')


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


def jack_server() -> str:
    """Return the name of the JACK server that clients of this user would reach.

    Raises:
        PortError: the library would end the process for so long a name.
    """
    server = os.environ.get("JACK_DEFAULT_SERVER", "default")
    size = len(os.fsencode(server))
    if size > LONGEST_SERVER:
        raise PortError(f"JACK_DEFAULT_SERVER: found {size} bytes; allowed: {LONGEST_SERVER}")
    return server


def jack_socket() -> Path | None:
    """Return the socket of that server, if there is one.

    Raises:
        PortError: see ``jack_server``.
    """
    server = jack_server()
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


def open_patch(backend: Backend, say: Callable[[str], None] = lambda line: None) -> Patch:
    """Open the one client that watches and connects; ``say`` gets a line if that takes long.

    Raises:
        PortError: no sequencer, no right to it, no server, or a library is missing.
    """
    if backend == "alsa":
        check_sequencer()
        from .patch_alsa import AlsaPatch

        return AlsaPatch()
    from .patch_jack import JackPatch

    return JackPatch(say)


def list_ports(backend: Backend) -> list[PortName]:
    """Return the player's ports, without zerobeat's own; a daemon may play meanwhile.

    Raises:
        PortError: no sequencer, no right to it, no server, or a library is missing.
    """
    if backend == "jack":
        from .patch_jack import list_jack_ports

        found = list_jack_ports()
    else:
        patch = open_patch(backend)
        try:
            found = patch.ports()
        finally:
            patch.close()
    return [port for port in found if not port.client.startswith("zerobeat ")]
