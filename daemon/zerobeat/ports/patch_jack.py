"""Patching on JACK, through one client for life.

JACK is the second backend: for players who want it, and for tests. A server
that dies takes every client with it; ``alive`` is then False for good, nothing
more may be sent, and the daemon has to be started again.

The library ends its own threads with ``pthread_cancel`` when a client is closed. A thread
that is in Python at that moment, or waits to be, takes the interpreter's lock with it, and
the process hangs for ever. So none of its threads ever calls Python: its callbacks are two
functions of libc, which count in a semaphore that is looked at often.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

from ..errors import MissingLibraryError, PortError, ServerSilentError
from .patch import OWN_PORT, SYSEX_END_CLIENT, WATCH_CLIENT, Backend, jack_server
from .port_name import PortName
from .rtmidi_api import rtmidi

try:
    import jack
except (ImportError, OSError) as error:
    remedy = (
        f"install zerobeat[jack]: pip install 'zerobeat[jack]', and the system's libjack ({error})"
    )
    raise MissingLibraryError("JACK-Client", remedy) from None

_OWN_PREFIX = ("zerobeat in ", "zerobeat out ", SYSEX_END_CLIENT)
MIDI_TYPE = b"8 bit raw midi"  # JACK_DEFAULT_MIDI_TYPE
PERIODS_TO_LEAVE = 4  # taken in the next, delivered in the one after, and two to spare
ANSWERS_WITHIN_S = 5.0  # a busy machine takes a second
SAY_AFTER_S = 1.0
REQUEST_WITHIN_S = 2.0
SLICE_S = 0.002
CHANGES_EVERY_S = 0.03  # for changes of the graph
# What arrives in a period is answered in the next, whenever in this one it is found. Measured at
# periods of 32 frames: a look each 0.2 ms costs a note nothing, each 0.5 ms 8 %.
LOOKS_A_PERIOD = 3.3
COLLECT_S = (0.0002, 0.002)
SEMAPHORE_BYTES = 64  # sem_t of glibc has 32, of musl 32

_libjack = ctypes.CDLL(jack._libname)  # the one that is open already
_libc = ctypes.PyDLL(None)  # keeps the interpreter's lock: a call takes 0.2 microseconds
_SEM_POST = ctypes.cast(_libc.sem_post, ctypes.c_void_p).value
_STRLEN = ctypes.cast(_libc.strlen, ctypes.c_void_p).value


class CallCounter:
    """Counts the calls of a callback that takes one pointer; see the head of this file."""

    def __init__(self) -> None:
        self._semaphore = (ctypes.c_char * SEMAPHORE_BYTES)()
        if _libc.sem_init(self._semaphore, 0, 0) != 0:
            raise PortError("no semaphore is to be had")

    def set(self, setter: str, client: jack.Client) -> None:
        """Be the callback of a client that ``setter`` of libjack sets."""
        pointer = ctypes.c_void_p(int(jack._ffi.cast("uintptr_t", client._ptr)))
        place = ctypes.c_void_p(ctypes.addressof(self._semaphore))
        getattr(_libjack, setter)(pointer, ctypes.c_void_p(_SEM_POST), place)

    def take(self) -> bool:
        """Return True if there were calls since the last time."""
        called = False
        while _libc.sem_trywait(self._semaphore) == 0:
            called = True
        return called


class JackPatch:
    """The ``Patch`` of JACK; see ``patch.Patch`` for the methods."""

    backend: Backend = "jack"
    look_every_s = CHANGES_EVERY_S

    def __init__(self, say: Callable[[str], None] = lambda line: None) -> None:
        _silence()
        self._alive = True
        self._closed = False
        self._asking: threading.Thread | None = None
        self._client = _open(WATCH_CLIENT, say)
        if self._client.name != WATCH_CLIENT:  # the server adds a number to a name in use
            self._client.close()
            raise PortError("another zerobeat plays on this JACK server; stop it first")
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._changes, self._shutdowns = CallCounter(), CallCounter()
        # Called after each change of ports and connections, a port that came or went included.
        self._changes.set("jack_set_graph_order_callback", self._client)
        self._shutdowns.set("jack_on_shutdown", self._client)
        self._measure_period()
        try:
            self._client.activate()
        except jack.JackError:  # it has died since; a close would ask it once more
            raise ServerSilentError(f'the JACK server "{jack_server()}" has gone') from None

    def _measure_period(self) -> None:
        frames = int(self._client.blocksize)
        self.frames_to_leave = PERIODS_TO_LEAVE * frames
        look_s = frames / int(self._client.samplerate) / LOOKS_A_PERIOD
        self.collect_every_s = min(max(look_s, COLLECT_S[0]), COLLECT_S[1])

    @property
    def alive(self) -> bool:
        if self._alive and self._shutdowns.take():
            self._alive = False
        return self._alive

    @alive.setter
    def alive(self, alive: bool) -> None:
        self._alive = alive

    def fileno(self) -> int:
        """Return a descriptor that is never ready: ``heard`` is asked every ``look_every_s``."""
        return self._wake_fd

    def heard(self) -> bool:
        return self._changes.take()

    def ports(self) -> list[PortName]:
        if not self.alive:
            return []
        self._measure_period()  # a server may be told another one
        return _midi_ports(self._client)

    def connected(self, source: PortName, destination: PortName) -> bool:
        if not self.alive:
            return False
        try:
            port = self._client.get_port_by_name(str(source.address))
            others = self._client.get_all_connections(port)
        except jack.JackError:
            return False
        except UnicodeDecodeError:  # of another connection
            return bool(port.is_connected_to(str(destination.address)))
        return any(other.name == destination.address for other in others)

    def connect(self, source: PortName, destination: PortName) -> None:
        if self.connected(source, destination):
            return
        try:
            self._client.connect(str(source.address), str(destination.address))
        except jack.JackError as error:
            if getattr(error, "code", 0) == errno.EEXIST:  # asked for before, not in the graph yet
                return
            raise PortError(f'"{source.text}" to "{destination.text}": JACK refused') from None

    def disconnect(self, source: PortName, destination: PortName) -> None:
        with contextlib.suppress(jack.JackError):
            if self.alive:
                self._client.disconnect(str(source.address), str(destination.address))

    def isolate(self, client_name: str) -> None:
        name = f"{client_name}:{OWN_PORT}"
        with contextlib.suppress(jack.JackError):
            if self.alive:
                own = self._client.get_port_by_name(name)
                for other in self._client.get_all_connections(own):
                    self._client.disconnect(other.name, name)

    def cycles(self) -> int:
        return int(self._client.last_frame_time)

    def answers(self, pause: Callable[[], None]) -> bool:
        """Ask on a thread, before a library asks that holds the interpreter meanwhile."""
        if not self.alive:
            return False
        if self._asking is None or not self._asking.is_alive():
            self._asking = threading.Thread(target=self._ask, daemon=True)
            self._asking.start()
            end_s = time.monotonic() + REQUEST_WITHIN_S
            while self._asking.is_alive() and time.monotonic() < end_s:
                self._asking.join(SLICE_S)
                pause()
        return self.alive and not self._asking.is_alive()

    def _ask(self) -> None:
        with contextlib.suppress(jack.JackError):
            self._client.get_uuid_for_client_name(WATCH_CLIENT)

    def overruns(self) -> dict[str, int]:
        return {}

    def other_daemon(self) -> int | None:
        return None  # the server itself refused a second client of our name

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        self._client.close()
        os.close(self._wake_fd)


def _port_name(port: jack.Port) -> PortName:
    client, _, name = port.name.partition(":")
    own = client.startswith(_OWN_PREFIX) and name == OWN_PORT
    return PortName(client, name, "in" if port.is_output else "out", (), port.name, own)


def _midi_ports(client: jack.Client) -> list[PortName]:
    """Return all MIDI ports whose names are UTF-8.

    ``Client.get_ports`` of JACK-Client 0.5 raises as a whole at one name that is not.
    """
    pointers = jack._lib.jack_get_ports(client._ptr, b"", MIDI_TYPE, 0)
    if not pointers:
        return []
    found = []
    place = 0
    while pointers[place]:
        with contextlib.suppress(UnicodeDecodeError, jack.JackError):  # gone since it was listed
            name = jack._ffi.string(pointers[place]).decode()
            found.append(_port_name(client.get_port_by_name(name)))
        place += 1
    jack._lib.jack_free(pointers)
    return found


def list_jack_ports() -> list[PortName]:
    """Return the MIDI ports, also while a daemon plays on the server.

    The client is never activated: it is not in the server's graph, so nothing that
    plays waits for it.

    Raises:
        PortError: no server answers.
    """
    _silence()
    client = _open("zerobeat ports")
    try:
        return _midi_ports(client)
    finally:
        client.close()


def _open(name: str, say: Callable[[str], None] = lambda line: None) -> jack.Client:
    """Return a new client.

    The library waits for ever for a server that hangs: then its thread is left behind, and
    this process should do no more than say so and end. A server hangs for some seconds now and
    then where a client was killed: it waits for the rest of a message of its own.

    Source: jackaudio/jack2, pull request 548, open since 2020.

    Raises:
        PortError: no server.
        ServerSilentError: it does not answer.
    """
    server = jack_server()
    found: list[jack.Client | None] = []

    def work() -> None:
        try:
            found.append(jack.Client(name, no_start_server=True))
        except jack.JackOpenError:
            found.append(None)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(SAY_AFTER_S)
    if not found:
        say(f'the JACK server "{server}" does not answer yet; waiting for it')
        thread.join(ANSWERS_WITHIN_S - SAY_AFTER_S)
    if not found:
        raise ServerSilentError(f'the JACK server "{server}" does not answer')
    if found[0] is None:
        raise PortError(f'no JACK server "{server}" answers; start it, or use ALSA')
    return found[0]


def _silence() -> None:
    """Keep every libjack of this process off the screen: rtmidi's wheel brings its own.

    ``strlen`` takes a message and does nothing with it, on whichever thread.
    """
    assert rtmidi  # loaded first
    mapped = (line.split()[-1] for line in Path("/proc/self/maps").read_text().splitlines())
    for path in {path for path in mapped if Path(path).name.startswith("libjack")}:
        library = ctypes.CDLL(path)
        library.jack_set_error_function(ctypes.c_void_p(_STRLEN))
        library.jack_set_info_function(ctypes.c_void_p(_STRLEN))
