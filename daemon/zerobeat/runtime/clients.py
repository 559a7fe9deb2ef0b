"""Requests of control socket clients, and the status that they are sent."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from ..engine.commands import Command
from ..engine.engine import Engine
from ..engine.plain_status import plain
from ..engine.status import picture
from ..engine.wire import Wire
from ..json_value import JsonObject
from ..ports.control import ControlSocket
from ..ports.deferred_answer import Answer, DeferredAnswer
from ..ports.interruptions import Interruptions
from .facts import Facts
from .follow_stream import FollowStream
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
        interruptions: what MIDI may interrupt.

    Attributes:
        control: the socket, for the loop to wait for.
        follow: what serves ``zerobeat follow``.

    Raises:
        PortError: no control socket.
    """

    def __init__(
        self,
        folder: Path,
        engine: Engine,
        wire: Wire,
        act: Callable[[Command], None],
        more: Mapping[str, Callable[[JsonObject], DeferredAnswer]],
        catch_up: Callable[[], None],
        facts: Callable[[], Facts],
        journal: Journal,
        interruptions: Interruptions | None = None,
    ) -> None:
        self._engine = engine
        self._wire = wire
        self._catch_up = catch_up
        self._facts = facts
        self._interruptions = interruptions or Interruptions()
        self._journal = journal
        self.follow = FollowStream(engine, act, lambda: self.control.asking, catch_up, folder)
        more = {**more, **self.follow.known}
        self._handlers = SocketCommands(
            engine, act, lambda: self.control.asking, more, interruptions
        )
        self._measuring = self._handlers.measuring
        self.control = ControlSocket(
            folder, self._answer, self._picture, self._gone, catch_up, interruptions
        )
        self.follow.control = self.control

    @property
    def needle(self) -> JsonObject | None:
        """Where the knob stands that a player turns, as the client that measures says."""
        return self._measuring.needle

    def serve(self, ready: list[int], now_s: float) -> None:
        """Handle requests and send status."""
        self.control.serve(ready, now_s)
        self._measuring.release_if_silent(now_s)

    def _gone(self, client: object) -> None:
        self._measuring.gone(client)
        self.follow.gone(client)

    def _answer(self, request: JsonObject) -> Answer | DeferredAnswer:
        self._catch_up()
        answer: Answer | DeferredAnswer
        try:
            answer = self._handlers.answer(request)
        except Exception:  # noqa: BLE001 - contained and logged
            self._journal.exception(f"request {request.get('command')}")
            answer = {"ok": False, "error": "a fault in zerobeat; its log says more"}
        self._catch_up()
        return answer

    def _picture(self) -> Mapping[str, object]:
        try:
            seen = picture(self._engine, self._wire, self._catch_up)
            with self._interruptions:
                shown, facts = plain(seen), self._facts()
            followed = self.follow.voices()
            if not followed:
                return {**shown, **facts}
            voices = [{**one, "follow": followed.get(one["name"])} for one in shown["voices"]]
            return {**shown, "voices": voices, **facts}
        except Exception:  # noqa: BLE001 - contained and logged
            self._journal.exception("status")
            return {**self._facts()}
