"""Requests of control socket clients, and the status that they are sent."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from ..engine.commands import Command
from ..engine.engine import Engine
from ..engine.status import picture, plain
from ..engine.wire import Wire
from ..ports.control import ControlSocket
from ..ports.deferred_answer import DeferredAnswer
from .journal import Journal
from .socket_commands import SocketCommands


class SocketClients:
    """Handles the socket's requests; MIDI that came before a request is played first.

    Args:
        folder: the runtime directory.
        engine, wire: what is shown.
        act, more: as for ``SocketCommands``.
        catch_up: plays all MIDI that has arrived or is due.
        facts: returns the rest of the status, besides engine and wire.
        journal: for faults.

    Attributes:
        control: the socket, for the loop to wait for.

    Raises:
        PortError: no control socket.
    """

    def __init__(
        self,
        folder: Path,
        engine: Engine,
        wire: Wire,
        act: Callable[[Command], None],
        more: Mapping[str, Callable[[dict[str, Any]], DeferredAnswer]],
        catch_up: Callable[[], None],
        facts: Callable[[], dict[str, Any]],
        journal: Journal,
    ) -> None:
        self._engine = engine
        self._wire = wire
        self._catch_up = catch_up
        self._facts = facts
        self._journal = journal
        self._handlers = SocketCommands(engine, act, lambda: self.control.asking, more, catch_up)
        self._measuring = self._handlers.measuring
        self.control = ControlSocket(
            folder, self._answer, self._picture, self._client_gone, catch_up
        )

    def serve(self, ready: list[int], now_s: float) -> None:
        """Handle requests and send status."""
        self.control.serve(ready, now_s)
        self._measuring.release_if_silent(now_s)

    def _client_gone(self, client: object) -> None:
        self._handlers.needle.gone(client)
        self._measuring.gone(client)

    def _answer(self, request: dict[str, Any]) -> dict[str, Any] | DeferredAnswer:
        self._catch_up()
        answer: dict[str, Any] | DeferredAnswer
        try:
            answer = self._handlers.answer(request)
        except Exception:  # noqa: BLE001 - contained and logged
            self._journal.exception(f"request {request.get('command')}")
            answer = {"ok": False, "error": "a fault in zerobeat; its log says more"}
        self._catch_up()
        return answer

    def _picture(self) -> dict[str, Any]:
        try:
            shown = plain(picture(self._engine, self._wire))
        except Exception:  # noqa: BLE001 - contained and logged
            self._journal.exception("status")
            shown = {}
        return shown | self._facts() | {"needle": self._handlers.needle.shown(time.monotonic())}
