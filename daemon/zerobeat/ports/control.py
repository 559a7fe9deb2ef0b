"""The control socket: a Unix stream socket on which clients command the daemon.

Path: ``control`` in the runtime directory, mode 0660. Each line is one JSON object in UTF-8
of at most 16,384 bytes (65,536 for ``put_profile``). A request names the protocol's version,
an id that comes back with its answer, a command and what the command takes:

    {"zerobeat": 1, "id": 1, "command": "recall", "scene": "drone"}
    {"id": 1, "ok": true}
    {"id": 1, "ok": false, "error": "scene: found 'dron'; allowed: together, drone"}

Five commands are handled here. ``role`` says what the client wants to be; see ``roles.py``.

    {"zerobeat": 1, "id": 1, "command": "role", "role": "view"}
    {"id": 1, "ok": true, "said": "role view"}

A picture costs time on the thread that plays: at most four are made a second, each for all
who wait for one. So the answer to ``status`` may come after answers to later requests.

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

``expected`` sends what voices are meant to sound, in batches; see ``expected_lines.py``.

    {"zerobeat": 1, "id": 5, "command": "expected"}
    {"id": 5, "ok": true, "said": "what voices are meant to sound"}
    {"id": 5, "ok": true, "expected": [{"voice": "reed", "at_s": 8.1, ...}], "asked": [],
     "inputs": "", "lost": 0}

Each client may send 100 commands a second, 20 at once, and a long line counts as several;
beyond that its socket is not read. Each role has seats of its own, and ``panic`` needs none. A
client that has asked for nothing yet, or for nothing for 2 s (10 s if it measures), makes room
for one that comes; where many follow, so does the one that asked longest ago. A client is
closed, with one line if it still reads, when a line is no JSON object or too long, when it
doesn't end a line or read its answers for 10 s, or when it leaves 256 KiB of them unread. No
client can delay a note: nothing here waits, a line is bounded in all that costs time, MIDI is
served before and after each command and interrupts what reads and encodes.
"""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from ..json_value import JsonObject
from ..runtime_directory import SOCKET, SOCKET_VERSION
from .client_connection import ClientConnection, MalformedError, bind_socket, parse_request
from .deferred_answer import Answer, DeferredAnswer
from .expected_lines import ExpectedLines
from .interruptions import Interruptions
from .raw_input import RawInputBatch
from .roles import ROLE_COMMANDS, SEATS, STREAM_SEATS, RolePolicy, may, role_for

MOST_ASKED = 4  # pictures that one client waits for
MOST_UNSEATED = 8  # clients that have asked for nothing yet
MOST_CLIENTS = MOST_UNSEATED + sum(SEATS.values())
BACKLOG = 64  # connections that wait to be taken
CLIENT_IDLE_S = 2.0  # a client that asks for nothing for so long may lose its seat
MEASURING_IDLE_S = 10.0  # one that measures listens for some seconds between two requests
PICTURE_S = 0.25  # between two pictures
SAME_S = 5.0  # a follower is sent this often that nothing has changed
RETRY_BIND_S = 1.0  # after a connection could not be taken
RATES_HZ = (0.1, 4.0)


class ControlSocket:
    """The socket and its clients.

    Args:
        folder: the runtime directory; its lock must be held.
        answer: does a request, and returns what is said besides the id, or a
            ``DeferredAnswer`` that will say it.
        picture: returns what ``status`` shows.
        on_disconnect: gets a client whose connection has ended, as ``asking`` named it.
        catch_up: plays MIDI that has arrived or is due; called between two slices of work.
        interruptions: what MIDI may interrupt.

    Attributes:
        asking: stands for the client whose request is being answered.

    Raises:
        PortError: the socket can't be made.
    """

    def __init__(
        self,
        folder: Path,
        answer: Callable[[JsonObject], Answer | DeferredAnswer],
        picture: Callable[[], Mapping[str, object]],
        on_disconnect: Callable[[object], None] = lambda client: None,
        catch_up: Callable[[], None] = lambda: None,
        interruptions: Interruptions | None = None,
    ) -> None:
        self.path = folder / SOCKET
        self._answer = answer
        self._picture = picture
        self._on_disconnect = on_disconnect
        self._catch_up = catch_up
        self._interruptions = interruptions or Interruptions()
        self._policy = RolePolicy()
        self.asking: object = None
        self._clients: list[ClientConnection] = []
        self._listener = bind_socket(self.path, BACKLOG)
        self._raw_input = RawInputBatch()
        self._accept_at_s = -math.inf
        self._picture_at_s = -math.inf

    # ------------------------------------------------------------ raw input

    @property
    def has_listeners(self) -> bool:
        """True while a client receives raw input."""
        return any(client.has_raw_input for client in self._clients)

    def add_raw_input(self, now_s: float, name: str, content: Sequence[int]) -> None:
        """Add a message of an input for the clients that receive raw input."""
        self._raw_input.add(now_s, name, content)

    def _send_raw_input(self, now_s: float) -> None:
        batch = self._raw_input.take(now_s)
        if batch is None:
            return
        for client in self._clients:
            if client.open and client.has_raw_input:
                if client.wants_to_write():
                    client.missed += len(batch["heard"]) + batch["lost"]
                    continue
                lost, client.missed = batch["lost"] + client.missed, 0
                client.send_answer({"id": client.listen_id, **batch, "lost": lost}, now_s)

    # ------------------------------------------------------------ the stream expected

    @property
    def has_expected(self) -> bool:
        """True while a client receives what voices are meant to sound."""
        return any(client.expected is not None for client in self._clients)

    def expected_restarts(self) -> bool:
        """Return whether a client needs a line of every voice; asking answers it."""
        found = False
        for client in self._clients:
            if client.expected is not None and client.expected.restart:
                client.expected.restart, found = False, True
        return found

    def add_expected(self, line: JsonObject, now_s: float) -> None:
        """Add a line for the clients of the stream."""
        for client in self._clients:
            if client.expected is not None:
                client.expected.add(line, now_s)

    def ask_follow(self, act: JsonObject, now_s: float) -> None:
        """Hand on what the player asks of follow."""
        for client in self._clients:
            if client.expected is not None:
                client.expected.ask(act, now_s)

    def say_inputs(self, inputs: str, now_s: float) -> None:
        """Say whether somebody else wants the audio inputs."""
        for client in self._clients:
            if client.expected is not None:
                client.expected.say_inputs(inputs, now_s)

    def _send_expected(self, now_s: float) -> None:
        for client in self._clients:
            if client.open and client.expected is not None and not client.wants_to_write():
                batch = client.expected.take(now_s)
                if batch is not None:
                    client.send_answer({"id": client.expected_id, **batch}, now_s)
                    self._catch_up()

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
            due_s = None if client.expected is None else client.expected.due_s
            if due_s is not None and not client.wants_to_write():
                soonest = min(soonest, due_s)
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
        for client in tuple(self._clients):
            try:
                self._serve_client(client, client.fileno() in known, now_s)
            except Exception:
                client.close()  # it must not do so again in every turn
                raise
        self._send_pictures(now_s)
        self._send_raw_input(now_s)
        self._send_expected(now_s)
        closed = [client for client in self._clients if not client.open]
        if closed:
            self._clients = [client for client in self._clients if client.open]
            for client in closed:
                self._on_disconnect(client)

    def _serve_client(self, client: ClientConnection, readable: bool, now_s: float) -> None:
        if readable and client.wants_to_read(now_s):
            client.read(now_s)
        if client.open:
            line = client.next_line(now_s)
            if line is not None:
                self._serve_one(client, line, now_s)
                self._catch_up()
        if client.open and client.wants_to_write():
            client.write(now_s)
        if not client.reads_its_answers(now_s):
            client.close()

    def _accept(self, now_s: float) -> None:
        try:
            link, _ = self._listener.accept()
        except BlockingIOError:
            return
        except OSError:  # no descriptor left: leave it in the queue for a while
            self._accept_at_s = now_s + RETRY_BIND_S
            return
        unseated = [client for client in self._clients if not client.seat and client.open]
        if len(unseated) >= MOST_UNSEATED:
            unseated[0].refuse("it asked for nothing, and another client came", now_s)
            unseated[0].close()
        user, roles = self._policy.user_and_roles(link)
        client = ClientConnection(link, now_s, roles, user)
        self._clients.append(client)
        client.read(now_s)

    # ------------------------------------------------------------ roles and seats

    def _take_role(self, client: ClientConnection, request: JsonObject, now_s: float) -> Answer:
        _no_more(request, ("role",))
        role = request.get("role")
        known = [
            name for name in ROLE_COMMANDS if name in client.allowed or "all" in client.allowed
        ]
        if not isinstance(role, str) or role not in known:
            raise ValueError(f"role: found {_short(role)}; allowed to you: {', '.join(known)}")
        self._seat(client, role, now_s)
        client.roles = frozenset((role,))
        return {"ok": True, "said": f"role {role}"}

    def _seat(self, client: ClientConnection, role: str, now_s: float) -> None:
        """Give a client a seat of its role.

        Raises:
            ValueError: all are taken by clients that are at work.
        """
        if client.seat == role:
            return
        seated = [other for other in self._clients if other.seat == role and other.open]
        if len(seated) >= SEATS[role]:
            idle_s = MEASURING_IDLE_S if role == "measure" else CLIENT_IDLE_S
            idle = [c for c in seated if not c.waits and now_s - c.asked_s > idle_s]
            if not idle:
                raise ValueError(f"found {SEATS[role]} clients of role {role}; allowed: no more")
            last = min(idle, key=lambda client: client.asked_s)
            last.refuse(f"it asked for nothing for {idle_s:g} s, and another came", now_s)
            last.close()
        client.seat = role

    def _make_room(self, client: ClientConnection, now_s: float) -> None:
        """Let a client follow or listen; too many, and the one of its user that asked first goes.

        Raises:
            ValueError: none of them goes for this client.
        """
        role = client.seat
        streams = [c for c in self._clients if c.seat == role and c.streams and c.open]
        if client.streams or len(streams) < STREAM_SEATS[role]:
            return
        displays = [c for c in streams if c.only_follows and c.user == client.user]
        if not displays:
            raise ValueError(
                f"found {len(streams)} clients of role {role} that follow or listen; "
                "allowed: no more"
            )
        oldest = min(displays, key=lambda client: client.asked_s)
        oldest.refuse("another display took this one's place", now_s, let_go=True)
        oldest.close()

    def _serve_one(self, client: ClientConnection, line: bytes, now_s: float) -> None:
        try:
            with self._interruptions:
                request = parse_request(line)
        except MalformedError as error:
            client.refuse(str(error), now_s)
            return
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
        self, client: ClientConnection, name: object, request: JsonObject, now_s: float
    ) -> Answer | None:
        version = request.pop("zerobeat", None)
        if version != SOCKET_VERSION or isinstance(version, bool):
            raise ValueError(f"zerobeat: found {_short(version)}; allowed: {SOCKET_VERSION}")
        command = request.get("command")
        if command == "role":
            return self._take_role(client, request, now_s)
        if isinstance(command, str):
            if not may(client.roles, command):
                roles = ", ".join(sorted(client.roles))
                raise ValueError(f"{command[:40]}: not allowed to role {roles}")
            if not client.seat and command != "panic":
                self._seat(client, role_for(command), now_s)
        if command == "status":
            _no_more(request, ())
            if len(client.asked) >= MOST_ASKED:
                raise ValueError(f"status: found {MOST_ASKED} that wait; allowed: no more")
            client.asked.append(name)
            return None
        if command == "follow":
            _no_more(request, ("at_most_hz",))
            follow_s = 1.0 / _rate(request.get("at_most_hz", RATES_HZ[1]))
            self._make_room(client, now_s)
            client.follow_s = follow_s
            client.follow_id, client.follow_due_s, client.shown = name, now_s, ""
            return None
        if command == "listen":
            _no_more(request, ())
            self._make_room(client, now_s)
            client.has_raw_input, client.listen_id = True, name
            return {"ok": True, "said": "listening"}
        if command == "expected":
            _no_more(request, ())
            self._make_room(client, now_s)
            client.expected, client.expected_id = ExpectedLines(now_s), name
            return {"ok": True, "said": "what voices are meant to sound"}
        answer = self._answer(request)
        if isinstance(answer, DeferredAnswer):
            client.owed += 1
            answer.add_callback(lambda answer, at_s: client.send_owed({"id": name, **answer}, at_s))
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
        self._catch_up()
        picture = self._picture()
        with self._interruptions:
            shown = _json(picture)
        for client in due:
            self._catch_up()
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

    def is_there(self) -> bool:
        """False once somebody has removed the socket's file."""
        return self.path.exists()

    def bind_again(self) -> None:
        """Make the socket's file anew after it was removed; clients keep their connections.

        Raises:
            PortError: it can't be made.
        """
        fresh = bind_socket(self.path, BACKLOG)
        self._listener.close()
        self._listener = fresh

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


def _json(picture: Mapping[str, object]) -> str:
    """Return a picture as JSON, encoded by voices and other parts: MIDI may interrupt between."""
    parts = []
    for key, value in picture.items():
        if isinstance(value, list):
            text = f"[{', '.join([json.dumps(item) for item in value])}]"
        else:
            text = json.dumps(value)
        parts.append(f"{json.dumps(key)}: {text}")
    return f"{{{', '.join(parts)}}}"


def _no_more(request: JsonObject, allowed: tuple[str, ...]) -> None:
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
