"""The control socket: a Unix stream socket on which clients command the daemon.

Path: ``control`` in the runtime directory, mode 0660. Each line is one JSON
object in UTF-8 of at most 65,536 bytes. A request names the protocol's version,
an id that comes back with its answer, a command and what the command takes:

    {"zerobeat": 1, "id": 1, "command": "recall", "scene": "drone"}
    {"id": 1, "ok": true}
    {"id": 1, "ok": false, "error": "scene: found 'dron'; allowed: together, drone"}

Three commands are served here. A picture costs time on the thread that
plays: at most four are made a second, each for all who wait for one. So the
answer to ``status`` may come after answers to later requests.

    {"zerobeat": 1, "id": 2, "command": "status"}
    {"id": 2, "ok": true, "status": {...}}
    {"zerobeat": 1, "id": 3, "command": "follow", "at_most_hz": 4}
    {"id": 3, "ok": true, "status": {...}}      now, and after each change

A follower gets nothing while nothing changes, but ``{"id": 3, "ok": true,
"unchanged": true}`` every 5 s, so that silence means trouble.

``listen`` sends what arrives at the inputs, in batches; see ``raw_input.py``.

    {"zerobeat": 1, "id": 4, "command": "listen"}
    {"id": 4, "ok": true, "said": "listening"}
    {"id": 4, "ok": true, "lost": 0,
     "heard": [{"input": "feet", "at_s": 8.1, "bytes": [176, 80, 127]}]}

Each client may send 100 commands a second, 20 at once; beyond that its socket
is not read. At most 16 clients. A client is closed, with one line if it still
reads, when a line is no JSON object or too long, when it doesn't end a line or
read its answers for 10 s, or when it leaves 256 KiB of them unread. No client
can delay a note: nothing here waits, and MIDI is served before and after each
command.
"""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from ..runtime_directory import SOCKET, SOCKET_VERSION
from .client_connection import ClientConnection, bind_socket
from .deferred_answer import DeferredAnswer
from .raw_input import RawInputBatch

MOST_CLIENTS = 16
PICTURE_S = 0.25  # between two pictures
SAME_S = 5.0  # a follower is sent this often that nothing has changed
RETRY_S = 1.0  # after a connection could not be taken
RATES_HZ = (0.1, 4.0)

Request = dict[str, Any]
Answer = dict[str, Any]


class ControlSocket:
    """The socket and its clients.

    Args:
        folder: the runtime directory; its lock must be held.
        answer: does a request, and returns what is said besides the id, or a
            ``DeferredAnswer`` that will say it.
        picture: returns what ``status`` shows.
        on_disconnect: batch of a client whose connection has ended, as ``asking`` named it.

    Attributes:
        asking: stands for the client whose request is being answered.

    Raises:
        PortError: the socket can't be made.
    """

    def __init__(
        self,
        folder: Path,
        answer: Callable[[Request], Answer | DeferredAnswer],
        picture: Callable[[], dict[str, Any]],
        on_disconnect: Callable[[object], None] = lambda client: None,
    ) -> None:
        self.path = folder / SOCKET
        self._answer = answer
        self._picture = picture
        self._on_disconnect = on_disconnect
        self.asking: object = None
        self._clients: list[ClientConnection] = []
        self._listener = bind_socket(self.path, MOST_CLIENTS)
        self._raw_input = RawInputBatch()
        self._accept_at_s = -math.inf
        self._picture_at_s = -math.inf

    # ------------------------------------------------------------ raw input

    @property
    def has_listeners(self) -> bool:
        """True while a client receives raw input."""
        return any(client.listens for client in self._clients)

    def add_raw_input(self, now_s: float, name: str, content: Sequence[int]) -> None:
        """Add a message of an input for the clients that receive raw input."""
        self._raw_input.add(now_s, name, content)

    def _send_raw_input(self, now_s: float) -> None:
        batch = self._raw_input.take(now_s)
        if batch is None:
            return
        for client in self._clients:
            if client.open and client.listens:
                if client.wants_to_write():
                    client.missed += len(batch["heard"]) + batch["lost"]
                    continue
                lost, client.missed = batch["lost"] + client.missed, 0
                client.send_answer({"id": client.listen_id, **batch, "lost": lost}, now_s)

    # ------------------------------------------------------------ waiting

    def readers(self, now_s: float) -> list[int]:
        """Return the descriptors to wait for, to read."""
        waits = [client.fileno() for client in self._clients if client.wants_to_read(now_s)]
        if now_s >= self._accept_at_s:
            waits.append(self._listener.fileno())
        return waits

    def writers(self) -> list[int]:
        """Return the descriptors to wait for, to write."""
        return [client.fileno() for client in self._clients if client.wants_to_write()]

    def wake_at_s(self, now_s: float) -> float | None:
        """Return when ``serve`` has something to do although no descriptor is ready."""
        soonest = math.inf if now_s >= self._accept_at_s else self._accept_at_s
        if self._raw_input.due_s is not None:
            soonest = min(soonest, self._raw_input.due_s)
        for client in self._clients:
            soonest = min(soonest, client.ready_at_s(now_s))
            if client.asked:
                soonest = min(soonest, max(now_s, self._picture_at_s))
            if client.follow_s is not None:
                soonest = min(soonest, max(client.follow_due_s, self._picture_at_s))
        return None if soonest == math.inf else soonest

    # ------------------------------------------------------------ serving

    def serve(self, ready: Iterable[int], now_s: float) -> None:
        """Read, carry out at most one command of each client, and send; never waits.

        Args:
            ready: descriptors that the wait found ready.
            now_s: monotonic seconds.
        """
        known = set(ready)
        if self._listener.fileno() in known:
            self._accept(now_s)
        for client in self._clients:
            if client.fileno() in known and client.wants_to_read(now_s):
                client.read(now_s)
            if client.open:
                request = client.next_request(now_s)
                if request is not None:
                    self._serve_one(client, request, now_s)
            if client.open and client.wants_to_write():
                client.write(now_s)
            if not client.reads_its_answers(now_s):
                client.close()
        self._send_pictures(now_s)
        self._send_raw_input(now_s)
        if not all(client.open for client in self._clients):
            for client in self._clients:
                if not client.open:
                    self._on_disconnect(client)
            self._clients = [client for client in self._clients if client.open]

    def _accept(self, now_s: float) -> None:
        try:
            link, _ = self._listener.accept()
        except BlockingIOError:
            return
        except OSError:  # no descriptor left: leave it in the queue for a while
            self._accept_at_s = now_s + RETRY_S
            return
        client = ClientConnection(link, now_s)
        if len(self._clients) >= MOST_CLIENTS:
            client.refuse(f"found {MOST_CLIENTS} clients; allowed: no more", now_s)
            client.close()
            return
        self._clients.append(client)

    def _serve_one(self, client: ClientConnection, request: Request, now_s: float) -> None:
        name = request.pop("id", None)
        if not (name is None or isinstance(name, (int, str))) or len(str(name)) > 64:
            client.refuse("id: found neither a number nor a short text", now_s)
            return
        self.asking = client
        try:
            answer = self._dispatch(client, name, request, now_s)
        except ValueError as error:
            answer = {"ok": False, "error": str(error)}
        if answer is not None:
            client.send_answer({"id": name, **answer}, now_s)

    def _dispatch(
        self, client: ClientConnection, name: object, request: Request, now_s: float
    ) -> Answer | None:
        version = request.pop("zerobeat", None)
        if version != SOCKET_VERSION or isinstance(version, bool):
            raise ValueError(f"zerobeat: found {_short(version)}; allowed: {SOCKET_VERSION}")
        command = request.get("command")
        if command == "status":
            _no_more(request, ())
            client.asked.append(name)
            return None
        if command == "follow":
            _no_more(request, ("at_most_hz",))
            client.follow_s = 1.0 / _rate(request.get("at_most_hz", RATES_HZ[1]))
            client.follow_id, client.follow_due_s, client.shown = name, now_s, ""
            return None
        if command == "listen":
            _no_more(request, ())
            client.listens, client.listen_id = True, name
            return {"ok": True, "said": "listening"}
        answer = self._answer(request)
        if isinstance(answer, DeferredAnswer):
            client.owed += 1
            answer.add_callback(
                lambda batch, told_s: client.send_owed({"id": name, **batch}, told_s)
            )
            return None
        return answer

    def _send_pictures(self, now_s: float) -> None:
        """Build one status for all clients that are due, if the last is old enough."""
        due = [
            client
            for client in self._clients
            if client.open
            and (client.asked or (client.follow_s is not None and client.follow_due_s <= now_s))
        ]
        if not due or now_s < self._picture_at_s:
            return
        self._picture_at_s = now_s + PICTURE_S
        shown = json.dumps(self._picture())
        for client in due:
            for name in client.asked:
                client.send_line(_status_line(name, shown), now_s)
            client.asked.clear()
            if client.follow_s is not None and client.follow_due_s <= now_s:
                self._send_follower(client, shown, now_s)

    @staticmethod
    def _send_follower(client: ClientConnection, shown: str, now_s: float) -> None:
        assert client.follow_s is not None
        client.follow_due_s = now_s + client.follow_s
        if client.wants_to_write():
            return  # it has not read the last one; the newest is enough
        if shown != client.shown:
            client.shown, client.last_sent_s = shown, now_s
            client.send_line(_status_line(client.follow_id, shown), now_s)
        elif now_s - client.last_sent_s >= SAME_S:
            client.last_sent_s = now_s
            client.send_answer({"id": client.follow_id, "ok": True, "unchanged": True}, now_s)

    def close(self) -> None:
        """Close all and remove the socket; a second call does nothing."""
        for client in self._clients:
            client.close()
        self._clients.clear()
        if self._listener.fileno() >= 0:
            self._listener.close()
            with contextlib.suppress(OSError):
                self.path.unlink()


def _status_line(name: object, shown: str) -> str:
    return f'{{"id": {json.dumps(name)}, "ok": true, "status": {shown}}}'


def _no_more(request: Request, allowed: tuple[str, ...]) -> None:
    for key in request:
        if key not in ("command", *allowed):
            rest = f"; allowed: {', '.join(allowed)}" if allowed else "; allowed: nothing more"
            raise ValueError(f"{request['command']}: found {_short(key)}{rest}")


def _rate(found: object) -> float:
    low, high = RATES_HZ
    if isinstance(found, bool) or not isinstance(found, (int, float)) or not low <= found <= high:
        raise ValueError(f"at_most_hz: found {_short(found)}; allowed: {low:g} to {high:g}")
    return float(found)


def _short(found: object) -> str:
    return json.dumps(found)[:60]
