"""The page's connection to the daemon: follows the status, gives commands, comes back by itself."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..client.daemon_client import LONGEST_ANSWER, socket_paths
from ..errors import CommandError, ControlError
from ..runtime_directory import SOCKET_VERSION

RECONNECT_AFTER_S = 0.2  # between two tries to connect
REFUSED_AGAIN_S = 5.0
LINK_SILENT_S = 12.0  # the daemon says every 5 s that nothing has changed
ANSWERED_S = 0.1  # a press is answered within this, or said not to be
AT_MOST_HZ = 4.0
NO_DAEMON = "zerobeat does not play: waiting for it"
STOPPED = "zerobeat has stopped: waiting for it"


class DaemonLink:
    """Keeps a connection to the daemon.

    Args:
        path: its control socket; None looks in the usual places.
        changed: called after each picture and each change of ``trouble``.

    Attributes:
        picture: the last status; {} before the first.
        heard_s: when the daemon was heard last, monotonic.
        trouble: why there is no connection; "" while there is one.
        may_command: whether the daemon lets this process give the commands of the stage.
        pairing_presses: how often a pedal has asked to pair a phone, over all connections.
    """

    def __init__(self, path: Path | None, changed: Callable[[], None]) -> None:
        self._path = path
        self._changed = changed
        self._writer: asyncio.StreamWriter | None = None
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._id = 0
        self._presses: int | None = None  # of the pedal that pairs, in this connection
        self._role = "view"
        self._role_id = 0
        self.may_command = False
        self.picture: dict[str, Any] = {}
        self.heard_s = time.monotonic()
        self.trouble = NO_DAEMON
        self.pairing_presses = 0

    @property
    def folder(self) -> Path | None:
        """The daemon's runtime directory; None where no daemon is to be found."""
        paths = socket_paths() if self._path is None else [self._path]
        return next((path.parent for path in paths if path.is_socket()), None)

    def use_role(self, role: str) -> None:
        """Be this from now on: "view" or "stage"."""
        if role != self._role:
            self._role = role
            if self._writer is not None:
                self._writer.close()

    async def run(self) -> None:
        """Connect, follow, and connect again, for ever."""
        while True:
            pause_s = RECONNECT_AFTER_S
            try:
                await self._follow()
            except ControlError as error:
                self._lost(str(error))
                pause_s = REFUSED_AGAIN_S
            except (OSError, TimeoutError, ValueError):
                self._lost(STOPPED if self.picture else NO_DAEMON)
            await asyncio.sleep(pause_s)

    async def _follow(self) -> None:
        reader, self._writer = await self._connected()
        try:
            self._presses = None
            self._role_id = self._send("role", role=self._role)
            self._send("follow", at_most_hz=AT_MOST_HZ)
            while True:
                async with asyncio.timeout(LINK_SILENT_S):
                    line = await reader.readuntil(b"\n")
                self._take(json.loads(line))
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            raise ConnectionResetError from None
        finally:
            self._writer.close()
            self._writer = None
            for waiting in self._waiting.values():
                if not waiting.done():
                    waiting.set_exception(ControlError(STOPPED))
            self._waiting.clear()

    async def _connected(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        for path in socket_paths() if self._path is None else [self._path]:
            try:
                return await asyncio.open_unix_connection(path, limit=LONGEST_ANSWER)
            except PermissionError:
                raise ControlError(f"{path}: permission denied; join its group") from None
            except OSError:
                continue
        raise ConnectionRefusedError

    def _send(self, command: str, **values: Any) -> int:
        if self._writer is None:
            raise ControlError(self.trouble or STOPPED)
        self._id += 1
        request = {"zerobeat": SOCKET_VERSION, "id": self._id, "command": command, **values}
        self._writer.write(json.dumps(request).encode() + b"\n")
        return self._id

    def _take(self, answer: Any) -> None:
        if not isinstance(answer, dict):
            raise ValueError
        self.heard_s = time.monotonic()
        waiting = self._waiting.pop(answer.get("id", 0), None)
        if waiting is not None:
            if not waiting.done():
                waiting.set_result(answer)
            return
        if answer.get("id") == self._role_id:
            self.may_command = self._role == "stage" and answer.get("ok") is True
            return  # without it the picture still comes
        if answer.get("ok") is False:  # no seat
            raise ControlError(str(answer.get("error", "zerobeat refuses")))
        shown = answer.get("status")
        if isinstance(shown, dict) and shown:
            self._count_presses(shown)
            self.picture = shown
            self.trouble = ""
            self._changed()

    def _count_presses(self, shown: dict[str, Any]) -> None:
        found = int(shown.get("asked_by_foot", {}).get("pair", 0))
        if self._presses is not None and found > self._presses:
            self.pairing_presses += 1
        self._presses = found

    def _lost(self, why: str) -> None:
        if why != self.trouble:
            self.trouble = why
            self._changed()

    async def ask(self, command: str, **values: Any) -> str:
        """Give one command and return what the daemon says.

        Raises:
            CommandError: the daemon refuses.
            ControlError: there is no daemon, or no answer within ``ANSWERED_S``.
        """
        waiting: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        number = self._send(command, **values)
        self._waiting[number] = waiting
        try:
            async with asyncio.timeout(ANSWERED_S):
                answer = await waiting
        except TimeoutError:
            raise ControlError(
                f"no answer within {1000 * ANSWERED_S:.0f} ms: look before you press again"
            ) from None
        finally:
            with contextlib.suppress(KeyError):
                del self._waiting[number]
        if answer.get("ok") is not True:
            raise CommandError(str(answer.get("error", "refused without a reason")))
        return str(answer.get("said", "done"))
