"""The process that serves the page: its parts, its addresses, its end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from ..text import printable
from .daemon_link import DaemonLink
from .http_request import MOST_HEAD
from .live_stream import LiveStream
from .page_server import PageServer
from .page_settings import ServedSettings, read_served_settings, split_address
from .pairing import Pairing
from .pairing_socket import PairingSocket
from .picture_view import page_view
from .presses import Presses

SETTINGS_LOOK_S = 1.0  # between two looks at what the rig says, and two tries to open an address
PAGE_BACKLOG = 128
PHONES = "phones.json"


def phones_file() -> Path:
    """Return where the phones' keys are: in a folder that nobody else reads."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given) / "page" / PHONES
    home = os.environ.get("XDG_STATE_HOME", "")
    base = Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state"
    return base / "zerobeat" / "page" / PHONES


class PageProcess:
    """Serves the page until a signal.

    Args:
        control: the daemon's socket; None looks in the usual places.
        addresses: where to serve it, instead of where the rig says; () is as the rig says.
        while_enabled: end once a daemon plays whose rig wants no page.
    """

    def __init__(self, control: Path | None, addresses: Sequence[str], while_enabled: bool) -> None:
        self._addresses = tuple(addresses)
        self._while_enabled = while_enabled
        self._settings = ServedSettings()
        self._link = DaemonLink(control, self._heard)
        self._live = LiveStream(
            lambda: time.monotonic() - self._link.heard_s, lambda: self._link.trouble
        )
        self._pairing = Pairing(phones_file())
        if self._pairing.fault:
            self._log(self._pairing.fault)
        self._server = PageServer(self._live, self._pairing, Presses(self._link.ask))
        self._listening: dict[str, asyncio.Server] = {}
        self._failed: dict[str, str] = {}
        self._paired_presses = 0
        self._end = asyncio.Event()

    async def run(self) -> int:
        """Serve until a signal, or until the rig wants no page; return the exit status.

        Raises:
            ControlError: another page is served here.
        """
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.add_signal_handler(number, self._end.set)
        self._read_settings()
        control = await PairingSocket(
            self._pairing, lambda: self._settings.addresses, lambda: self._server.commands
        ).start()
        follower = asyncio.create_task(self._link.run())
        try:
            self._publish()
            while not self._end.is_set():
                await self._listen()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(SETTINGS_LOOK_S):
                        await self._end.wait()
                self._read_settings()
        finally:
            follower.cancel()
            control.close()
            for server in self._listening.values():
                server.close()
            self._server.close()
        return 0

    # ------------------------------------------------------------ what the rig says

    def _read_settings(self) -> None:
        folder = self._link.folder
        found = None if folder is None else read_served_settings(folder)
        if found is None and self._while_enabled and self._link.picture and not self._link.trouble:
            self._log("the rig wants no page any more")
            self._end.set()
        settings = found or self._settings
        if self._addresses:
            settings = ServedSettings(self._addresses, settings.commands)
        if settings != self._settings:
            self._settings = settings
            self._publish()
        self._link.use_role("stage" if settings.commands else "view")

    async def _listen(self) -> None:
        """Open the addresses that are wanted and not open, and close the others."""
        for address in [a for a in self._listening if a not in self._settings.addresses]:
            self._listening.pop(address).close()
            self._log(f"no longer at http://{address}/")
        for address in self._settings.addresses:
            if address in self._listening:
                continue
            try:
                self._listening[address] = await asyncio.start_server(
                    self._server.serve, sock=_bound(address), limit=MOST_HEAD, backlog=PAGE_BACKLOG
                )
            except OSError as error:
                why = f"http://{address}/: can't be served: {error.strerror}; trying again"
                if self._failed.get(address) != why:
                    self._failed[address] = why
                    self._log(why)
            else:
                self._failed.pop(address, None)
                self._log(f"at http://{address}/")

    # ------------------------------------------------------------ the picture

    def _heard(self) -> None:
        """Show a picture of the daemon's, or that it has come or gone."""
        self._publish()
        self._live.wake()
        while self._paired_presses < self._link.pairing_presses:
            self._paired_presses += 1
            self._log(self._pairing.confirm(time.monotonic()))

    def _publish(self) -> None:
        link = self._link
        self._server.commands = self._settings.commands and (
            link.may_command or bool(link.trouble)  # without a daemon the press is refused
        )
        hello = {"run": self._pairing.run, "commands": self._server.commands}
        view = page_view(link.picture, time.time()) if link.picture else None
        self._live.publish(view, hello)

    @staticmethod
    def _log(text: str) -> None:
        print(printable(f"page: {text}", 300), file=sys.stderr, flush=True)


def _bound(address: str) -> socket.socket:
    host, port = split_address(address)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    link = socket.socket(family, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        link.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            link.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        link.bind((host, port))
    except OSError:
        link.close()
        raise
    return link
