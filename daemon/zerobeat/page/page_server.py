"""Serves the page: five fixed paths, bounded in number, size and time.

| path | method | what |
| --- | --- | --- |
| `/`, `/page.css`, `/page.js`, `/icon.svg` | GET | the page, from memory |
| `/live` | GET | the picture, as server-sent events |
| `/pair` | POST | a phone asks to be paired, or proves the key of a link |
| `/press` | POST | a signed command of a paired phone |

No path leads to a file. ``Host`` must be the address that was connected to, so that no name of
somebody else's leads here; ``Origin`` must be this page's own. No cookie is set or read.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import socket
import sys
import time
from collections import Counter
from dataclasses import dataclass
from http import HTTPStatus
from importlib.resources import files
from typing import Any

from ..errors import CommandError, StoreError
from ..text import is_unicode, printable
from .http_request import MOST_HEAD, HttpRequest, RequestRefused, read_request
from .live_stream import SEND_BUFFER, LiveStream
from .pairing import Pairing
from .presses import MOST_NUMBER, Presses
from .rate_limit import RateLimit, address_key

MOST_CONNECTIONS = 96
MOST_STREAMS = 32
WRITTEN_S = 5.0  # an answer that is not taken within this is dropped
REQUESTS_HZ, REQUESTS_AT_ONCE = 20.0, 120.0  # by address
FAULTS_HZ, FAULTS_AT_ONCE = 0.5, 10.0  # wrong signatures, by address
LOG_S = 10.0  # between two lines about what was refused
PAGE_FILES = {
    "/": ("page.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
SECURITY = (
    f"Content-Security-Policy: {POLICY}",
    "X-Content-Type-Options: nosniff",
    "X-Frame-Options: DENY",
    "Referrer-Policy: no-referrer",
    "Cross-Origin-Resource-Policy: same-origin",
    "Cross-Origin-Opener-Policy: same-origin",
    "Permissions-Policy: camera=(), geolocation=(), microphone=()",
    "Cache-Control: no-store",
)


@dataclass(eq=False, slots=True)
class _Connection:
    """One connection; ``busy`` once its request was read whole."""

    writer: asyncio.StreamWriter
    address: str
    task: asyncio.Task[None] | None
    busy: bool = False
    streams: bool = False


class PageServer:
    """Answers requests.

    Args:
        live: the picture.
        pairing: the phones.
        presses: does what they ask.

    Attributes:
        commands: whether phones may give commands at all.
    """

    def __init__(self, live: LiveStream, pairing: Pairing, presses: Presses) -> None:
        self._live = live
        self._pairing = pairing
        self._presses = presses
        self.commands = False
        self._files = {
            path: (files(__package__).joinpath(name).read_bytes(), kind)
            for path, (name, kind) in PAGE_FILES.items()
        }
        self._connections: dict[_Connection, None] = {}  # the oldest first
        self._requests = RateLimit(REQUESTS_HZ, REQUESTS_AT_ONCE)
        self._faults = RateLimit(FAULTS_HZ, FAULTS_AT_ONCE)
        self._names = _own_names()
        self._refused: Counter[str] = Counter()
        self._logged_s = -math.inf

    # ------------------------------------------------------------ connections

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one connection: one request, and it ends."""
        peer = writer.get_extra_info("peername") or ("",)
        connection = _Connection(writer, address_key(str(peer[0])), asyncio.current_task())
        try:
            if not self._make_room(connection):
                return
            await self._serve_one(reader, connection)
        except (OSError, TimeoutError, asyncio.CancelledError):
            pass  # it has gone, is too slow, or made room for another
        except Exception as error:  # noqa: BLE001 - one connection ends, the page goes on
            self._log(f"a fault: {type(error).__name__}: {error}")
        finally:
            self._connections.pop(connection, None)
            # What it has not read yet is dropped: nothing is kept for one that has gone.
            if writer.transport.get_write_buffer_size():
                writer.transport.abort()
            else:
                writer.close()

    def _make_room(self, connection: _Connection) -> bool:
        """Keep a connection, and end another where there are too many; False: there is no room."""
        if len(self._connections) >= MOST_CONNECTIONS:
            idle = [other for other in self._connections if not other.busy]
            if not idle:
                return False
            self._end(self._of_the_most(idle))
        self._connections[connection] = None
        return True

    @staticmethod
    def _of_the_most(connections: list[_Connection]) -> _Connection:
        """Return the oldest connection of the address that has the most of them."""
        counts = Counter(connection.address for connection in connections)
        most = max(counts.values())
        return next(c for c in connections if counts[c.address] == most)

    def _end(self, connection: _Connection) -> None:
        self._connections.pop(connection, None)
        connection.writer.transport.abort()
        if connection.task is not None:
            connection.task.cancel()

    def close(self) -> None:
        """End all connections."""
        for connection in tuple(self._connections):
            self._end(connection)

    async def _serve_one(self, reader: asyncio.StreamReader, connection: _Connection) -> None:
        writer = connection.writer
        try:
            request = await read_request(reader)
            connection.busy = True
            if not self._requests.allows(connection.address, time.monotonic()):
                raise RequestRefused(429, "too many requests: wait a second")
            self._check_host(request, writer)
            if request.path == "/live" and request.method == "GET":
                await self._stream(connection)
                return
            status, kind, body = await self._answer(request, connection.address)
        except RequestRefused as refused:
            self._count(connection.address, refused)
            status, kind = refused.status, "text/plain; charset=utf-8"
            body = f"{refused}\n".encode()
            request = HttpRequest("GET", "/")
        writer.write(_head(status, kind, len(body)) + (b"" if request.method == "HEAD" else body))
        async with asyncio.timeout(WRITTEN_S):
            writer.transport.set_write_buffer_limits(high=0)
            await writer.drain()
            connection.busy = False  # it may make room from here on
            writer.write_eof()
            await reader.read(MOST_HEAD)  # closing at once might drop what it has not read

    async def _stream(self, connection: _Connection) -> None:
        streams = [other for other in self._connections if other.streams]
        if len(streams) >= MOST_STREAMS:
            self._end(self._of_the_most(streams))
        connection.streams = True
        link = connection.writer.get_extra_info("socket")
        if link is not None:
            link.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        connection.writer.write(_head(200, "text/event-stream", None))
        await self._live.follow(connection.writer)

    # ------------------------------------------------------------ who asks

    def _check_host(self, request: HttpRequest, writer: asyncio.StreamWriter) -> None:
        """Refuse names that are not this computer's, and pages of others.

        Raises:
            RequestRefused: as it says.
        """
        own = writer.get_extra_info("sockname")
        address = f"[{own[0]}]" if ":" in own[0] else own[0]
        names = {address, *self._names}
        if own[0] in ("127.0.0.1", "::1"):
            names.add("localhost")
        host = request.headers.get("host", "").lower()
        if host not in {f"{name}:{own[1]}" for name in names}:
            raise RequestRefused(421, f"allowed: http://{address}:{own[1]}/")
        origin = request.headers.get("origin")
        if origin is not None and origin.lower() != f"http://{host}":
            raise RequestRefused(403, "another page asks")
        # A link from elsewhere opens the page, and nothing else.
        site = request.headers.get("sec-fetch-site", "none")
        if site not in ("same-origin", "none") and request.path != "/":
            raise RequestRefused(403, "another page asks")
        if request.method == "POST":
            if origin is None:
                raise RequestRefused(403, "found no origin; allowed: this page")
            if request.headers.get("content-type", "").partition(";")[0] != "application/json":
                raise RequestRefused(415, "allowed: application/json")

    def _count(self, address: str, refused: RequestRefused) -> None:
        """Log what was refused, now and then, and never what it said."""
        self._refused[f"{HTTPStatus(refused.status).phrase.lower()} from {address}"] += 1
        now_s = time.monotonic()
        if now_s - self._logged_s >= LOG_S:
            self._logged_s = now_s
            parts = [f"{count} {what}" for what, count in self._refused.most_common(3)]
            self._log(f"refused: {', '.join(parts)}")
            self._refused.clear()
        elif len(self._refused) > 1000:
            self._refused.clear()

    @staticmethod
    def _log(text: str) -> None:
        print(printable(f"page: {text}", 300), file=sys.stderr, flush=True)

    # ------------------------------------------------------------ answers

    async def _answer(self, request: HttpRequest, address: str) -> tuple[int, str, bytes]:
        if request.method in ("GET", "HEAD"):
            found = self._files.get(request.path)
            if found is None:
                raise RequestRefused(404, "there is nothing here")
            return 200, found[1], found[0]
        if request.path not in ("/pair", "/press"):
            raise RequestRefused(404, "there is nothing here")
        if not self.commands:
            raise RequestRefused(403, "this page is a picture only (page: commands)")
        now_s = time.monotonic()
        if self._faults.is_empty(address, now_s):
            raise RequestRefused(429, "too many wrong tries: wait a minute")
        values = _table(request.body)
        answer = (
            self._pair(values, address, now_s)
            if request.path == "/pair"
            else await self._press(values, address, now_s)
        )
        return 200, "application/json", json.dumps(answer).encode()

    def _pair(self, values: dict[str, Any], address: str, now_s: float) -> dict[str, Any]:
        try:
            if set(values) == {"ask"}:
                self._faults.allows(address, now_s)  # asking again and again is a fault, too
                return {"ticket": self._pairing.ask(now_s)}
            if set(values) == {"ticket"}:
                return self._pairing.poll(_text(values, "ticket"), now_s)
            name, sign = _text(values, "phone"), _text(values, "sign")
            phone = self._pairing.take_link(name, sign, now_s)
        except (CommandError, StoreError) as error:
            self._log(str(error))
            return {"refused": str(error)}
        if phone is None:
            self._faults.allows(address, now_s)
            return {"refused": "the link is used up or too old: make a new one"}
        self._log(f"paired phone {phone.name}, by a link, from {address}")
        return {"paired": phone.name}

    async def _press(self, values: dict[str, Any], address: str, now_s: float) -> dict[str, Any]:
        name, sign, text = (_text(values, key) for key in ("phone", "sign", "command"))
        number = values.get("press")
        if not isinstance(number, int) or isinstance(number, bool) or not 0 < number < MOST_NUMBER:
            raise RequestRefused(400, "press: allowed: a number")
        if not self._pairing.is_signed(name, sign, str(number), text):
            self._faults.allows(address, now_s)
            raise RequestRefused(401, "this phone is not paired")
        if text == "hello":
            return {"ok": True, "said": "paired"}
        return await self._presses.press(name, number, text, now_s)


def _table(body: bytes) -> dict[str, Any]:
    try:
        values = json.loads(body)
    except (ValueError, RecursionError):
        values = None
    if not isinstance(values, dict):
        raise RequestRefused(400, "allowed: a JSON object")
    return values


def _text(values: dict[str, Any], key: str) -> str:
    value = values.get(key)
    if not isinstance(value, str) or not is_unicode(value):
        raise RequestRefused(400, f"{key}: allowed: text")
    return value


def _own_names() -> set[str]:
    """Return the names of this computer, as phones may write them."""
    with contextlib.suppress(OSError):
        name = socket.gethostname().partition(".")[0].lower()
        if name and name != "localhost":
            return {name, f"{name}.local"}
    return set()


def _head(status: int, kind: str, length: int | None) -> bytes:
    lines = [
        f"HTTP/1.1 {status} {HTTPStatus(status).phrase}",
        f"Content-Type: {kind}",
        *SECURITY,
        "Connection: close",
    ]
    if length is not None:
        lines.append(f"Content-Length: {length}")
    return ("\r\n".join(lines) + "\r\n\r\n").encode("ascii")
