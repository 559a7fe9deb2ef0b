"""The page's own socket in its runtime directory: ``zerobeat page --pair`` asks here.

Who may open it (the user of the page, and its group) may pair and revoke phones. One line of
JSON in, one out.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from ..errors import CommandError, ControlError, NotRunningError, StoreError
from ..runtime_directory import make_runtime_directory, runtime_directory
from ..text import printable
from .pairing import LINK_S, Pairing

PAGE_SOCKET = "page"
PAGE_SERVICE_FOLDER = Path("/run/zerobeat-page")  # systemd's RuntimeDirectory=zerobeat-page
LONGEST_LINE = 4096
ASKED_WITHIN_S = 5.0


class PairingSocket:
    """Answers ``--pair``, ``--phones`` and ``--revoke``.

    Args:
        pairing: the phones.
        addresses: returns where the page is served.
        commands: returns whether phones may give commands.
    """

    def __init__(
        self,
        pairing: Pairing,
        addresses: Callable[[], Sequence[str]],
        commands: Callable[[], bool],
    ) -> None:
        self._pairing = pairing
        self._addresses = addresses
        self._commands = commands

    async def start(self) -> asyncio.Server:
        """Open the socket.

        Raises:
            ControlError: another page runs here, or the folder can't be used.
        """
        folder = runtime_directory()
        make_runtime_directory(folder)
        path = folder / PAGE_SOCKET
        with contextlib.suppress(OSError), _connected(path):
            raise ControlError(f"the page is served already (socket {path})")
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        try:
            server = await asyncio.start_unix_server(self._serve, path, limit=LONGEST_LINE)
            os.chmod(path, 0o660)
        except OSError as error:
            raise ControlError(f"{path}: can't be made: {error.strerror}") from None
        return server

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(ASKED_WITHIN_S):
                answer = self._answer(await reader.readuntil(b"\n"))
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
        except (OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass
        finally:
            writer.close()

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
            return self._do(str(request["command"]), str(request.get("phone", "")))
        except (CommandError, StoreError) as error:
            return {"error": str(error)}
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {"error": "found no request"}

    def _do(self, command: str, phone: str) -> dict[str, Any]:
        if command == "phones":
            return {"phones": [[p.name, p.since_s, p.by] for p in self._pairing.phones]}
        if command == "revoke":
            names = self._pairing.revoke(phone)
            print(printable(f"page: revoked {', '.join(names) or 'none'}"), file=sys.stderr)
            return {"revoked": names}
        if command != "pair":
            raise CommandError("command: allowed: pair, phones, revoke")
        if not self._commands():
            raise CommandError(
                "the page is a picture only: the rig says page: {commands: false}, or zerobeat "
                "lets the page's user only look (docs/control.md, roles)"
            )
        key = self._pairing.offer(time.monotonic())
        links = [f"http://{address}/#pair={key}" for address in self._addresses()]
        return {"links": links, "within_s": LINK_S}


def _connected(path: Path) -> socket.socket:
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    link.settimeout(ASKED_WITHIN_S)
    try:
        link.connect(os.fspath(path))
    except OSError:
        link.close()
        raise
    return link


def ask_page(command: str, **values: str) -> dict[str, Any]:
    """Return what the running page answers.

    Raises:
        ControlError: none runs, it may not be asked, or it does not answer.
        CommandError: it refuses.
    """
    line = json.dumps({"command": command, **values}).encode() + b"\n"
    for folder in dict.fromkeys((runtime_directory(), PAGE_SERVICE_FOLDER)):
        path = folder / PAGE_SOCKET
        try:
            with _connected(path) as link:
                link.sendall(line)
                received = b""
                while not received.endswith(b"\n") and (part := link.recv(65_536)):
                    received += part
            answer = json.loads(received)
        except PermissionError:
            raise ControlError(
                f"{path}: permission denied; join the group zerobeat: "
                "sudo usermod -aG zerobeat $USER; log in again"
            ) from None
        except (FileNotFoundError, ConnectionRefusedError, NotADirectoryError):
            continue
        except (OSError, ValueError):
            raise ControlError(f"{path}: the page does not answer") from None
        if "error" in answer:
            raise CommandError(str(answer["error"]))
        return dict(answer)
    raise NotRunningError(
        "no page is served here; start it: zerobeat page, or with the service "
        "page: {enabled: true} in the rig"
    )
