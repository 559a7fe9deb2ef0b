"""The clients of the control socket: their requests and what they are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from ..engine.commands import Command
from ..engine.engine import Engine
from ..engine.status import picture, plain
from ..engine.wire import Wire
from ..ports.control import Control
from ..ports.deferred_answer import Later
from .journal import Journal
from .socket_commands import Handlers


class Clients:
    """Serves them, with every key that came before a request already played.

    Args:
        folder: the runtime directory.
        engine, wire: what is shown.
        act, more: as for ``Handlers``.
        hear: plays what has come from the ports.
        facts: returns what the status shows besides engine and wire.
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
        more: Mapping[str, Callable[[dict[str, Any]], Later]],
        hear: Callable[[], None],
        facts: Callable[[], dict[str, Any]],
        journal: Journal,
    ) -> None:
        self._engine = engine
        self._wire = wire
        self._hear = hear
        self._facts = facts
        self._journal = journal
        self._handlers = Handlers(engine, act, lambda: self.control.asking, more)
        self._measuring = self._handlers.measuring
        self.control = Control(folder, self._answer, self._picture, self._measuring.gone)

    def serve(self, ready: list[int], now_s: float) -> None:
        """Do what the clients ask for."""
        self.control.serve(ready, now_s)
        self._measuring.look(now_s)

    def _answer(self, request: dict[str, Any]) -> dict[str, Any] | Later:
        self._hear()
        answer: dict[str, Any] | Later
        try:
            answer = self._handlers.answer(request)
        except Exception:
            self._journal.exception(f"request {request.get('command')}")
            answer = {"ok": False, "error": "a fault in zerobeat; its log says more"}
        self._hear()
        return answer

    def _picture(self) -> dict[str, Any]:
        try:
            shown = plain(picture(self._engine, self._wire))
        except Exception:
            self._journal.exception("status")
            shown = {}
        return shown | self._facts()
