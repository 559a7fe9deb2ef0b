"""Patching on ALSA's sequencer, through one alsa-midi client for life.

It subscribes to the kernel's announcements (System:Announce, 0:1), lists
ports and connects ports of other clients. Notes never pass through it.
"""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path
from typing import Any

from ..errors import MissingLibraryError, PortError
from .patch import OWN_PORT, WATCH_CLIENT, Backend
from .port_name import PortName

try:
    import alsa_midi.client
    import alsa_midi.port
    from alsa_midi import (
        ALSAError,
        PortCaps,
        PortInfo,
        PortType,
        SequencerClient,
        SubscriptionQueryType,
    )
except ImportError as error:
    remedy = f"install zerobeat[alsa]: pip install 'zerobeat[alsa]' ({error})"
    raise MissingLibraryError("alsa-midi", remedy) from None


class _Name(bytes):
    """A name of a client or port. The kernel cuts it at 63 bytes, within a character too."""

    def decode(self, encoding: str = "utf-8", errors: str = "replace") -> str:
        return bytes.decode(self, encoding, errors)


class _TolerantFfi:
    """alsa-midi 1.0 lists no port at all where one name is not UTF-8; this lets it."""

    def __init__(self, ffi: Any) -> None:
        self._ffi = ffi

    def __getattr__(self, name: str) -> Any:
        return getattr(self._ffi, name)

    def string(self, *args: Any) -> bytes:
        return _Name(self._ffi.string(*args))


for _module in (alsa_midi.client, alsa_midi.port):
    _module.ffi = _TolerantFfi(_module.ffi)

ANNOUNCE = (0, 1)
CLIENTS = Path("/proc/asound/seq/clients")
_AT_ONCE_S = 1e-9  # alsa-midi 1.0: a timeout of 0 waits for ever
_READABLE = PortCaps.READ | PortCaps.SUBS_READ
_WRITABLE = PortCaps.WRITE | PortCaps.SUBS_WRITE


class AlsaPatch:
    """The ``Patch`` of ALSA; see ``patch.Patch`` for the methods."""

    backend: Backend = "alsa"
    alive = True
    frames_to_leave = 0
    look_every_s = float("inf")  # ``fileno`` says it
    collect_every_s = float("inf")  # the library calls back

    def __init__(self) -> None:
        try:
            self._client = SequencerClient(WATCH_CLIENT)
            # Kept, because alsa-midi deletes a port that nobody refers to.
            self._port = self._client.create_port(
                "announcements",
                PortCaps.WRITE | PortCaps.NO_EXPORT,
                PortType.APPLICATION,
            )
            self._port.connect_from(ANNOUNCE)
        except ALSAError as error:
            raise PortError(f"the ALSA sequencer can't be opened: {error}") from None
        self._closed = False

    def fileno(self) -> int:
        return int(self._client._fd)  # alsa-midi 1.0 has no public name for it

    def heard(self) -> bool:
        anything = False
        while True:
            try:
                if self._client.event_input(timeout=_AT_ONCE_S) is None:
                    return anything
            except (ALSAError, ValueError):  # overrun, or an event alsa-midi can't read
                pass
            anything = True

    def ports(self) -> list[PortName]:
        clients: dict[int, tuple[bool, tuple[str, ...]]] = {}
        found = []
        for info in self._client.list_ports(type=PortType.ANY, sort=False):
            if info.client_id not in clients:
                clients[info.client_id] = self._about(info.client_id)
            own, identity = clients[info.client_id]
            found += _both_ways(info, own, identity)
        return found

    def _about(self, client_id: int) -> tuple[bool, tuple[str, ...]]:
        """Return whether a client is of this process, and what its hardware is."""
        try:
            client = self._client.get_client_info(client_id)
        except ALSAError:  # gone since it was listed
            return False, ()
        card = client.card_id
        return client.pid == os.getpid(), usb_identity(card) if card is not None else ()

    def connected(self, source: PortName, destination: PortName) -> bool:
        try:
            readers = self._client.list_port_subscribers(source.address, SubscriptionQueryType.READ)
        except ALSAError:
            return False
        return any(tuple(reader.addr) == destination.address for reader in readers)

    def connect(self, source: PortName, destination: PortName) -> None:
        if self.connected(source, destination):
            return
        try:
            self._client.subscribe_port(source.address, destination.address)
        except ALSAError as error:
            raise PortError(f'"{source.text}" to "{destination.text}": {error}') from None

    def disconnect(self, source: PortName, destination: PortName) -> None:
        with contextlib.suppress(ALSAError):  # it was not, or one of them has gone
            self._client.unsubscribe_port(source.address, destination.address)

    def isolate(self, client_name: str) -> None:
        for own in self.ports():
            if own.own and own.client == client_name and own.direction == "out":
                writers = self._client.list_port_subscribers(
                    own.address, SubscriptionQueryType.WRITE
                )
                for writer in writers:
                    with contextlib.suppress(ALSAError):
                        self._client.unsubscribe_port(writer.addr, own.address)

    def cycles(self) -> int:
        return 0

    def answers(self, pause: object) -> bool:
        return True

    def overruns(self) -> dict[str, int]:
        try:
            return input_overruns(CLIENTS.read_text(errors="replace"))
        except OSError:  # hidden from a service by ProcSubset=pid
            return {}

    def other_daemon(self) -> int | None:
        for info in self._client.list_ports(type=PortType.ANY, sort=False):
            if info.name.rstrip() != OWN_PORT or not str(info.client_name).startswith("zerobeat "):
                continue
            with contextlib.suppress(ALSAError):
                pid = self._client.get_client_info(info.client_id).pid
                if pid and pid != os.getpid():
                    return int(pid)
        return None

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._client.close()


def _both_ways(info: PortInfo, own: bool, identity: tuple[str, ...]) -> list[PortName]:
    address = (info.client_id, info.port_id)
    client = str(info.client_name).rstrip()
    names = []
    if info.capability & _READABLE == _READABLE:
        names.append(PortName(client, info.name.rstrip(), "in", identity, address, own))
    if info.capability & _WRITABLE == _WRITABLE:
        names.append(PortName(client, info.name.rstrip(), "out", identity, address, own))
    return names


def usb_identity(card: int, sound: Path = Path("/sys/class/sound")) -> tuple[str, ...]:
    """Return what tells a sound card from another of its kind, best first.

    The serial number that the device gives, then the socket it is plugged
    into, as the kernel names it: bus, dash, port, dot, port of a hub.
    Empty for a card that is not on USB.
    """
    place = (sound / f"card{card}" / "device").resolve()
    for folder in (place, *place.parents):
        if (folder / "idVendor").exists():
            words = [f"usb {folder.name}"]
            try:
                serial = (folder / "serial").read_text(errors="replace").strip()
            except OSError:
                serial = ""
            return (f"serial {serial}", *words) if serial else tuple(words)
    return ()


def input_overruns(listing: str) -> dict[str, int]:
    """Return how often each client's input pool ran full, by client name.

    Source: the kernel's sound/core/seq/seq_clientmgr.c and seq_memory.c, which write the
    listing; each client's input pool ends with its count of failed allocations.
    """
    counts: dict[str, int] = {}
    for block in re.split(r"^Client +\d+ : ", listing, flags=re.MULTILINE)[1:]:
        name = block.split('"')[1] if '"' in block else ""
        pool = block.partition("Input pool")[2]
        failures = re.search(r"Alloc failures +: (\d+)", pool)
        if failures:
            counts[name] = counts.get(name, 0) + int(failures[1])
    return counts
