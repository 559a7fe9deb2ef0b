"""One HTTP/1.1 request, read strictly and within bounds (RFC 9112)."""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass, field

from ..errors import ZerobeatError

MOST_HEAD = 8192  # bytes of the request line and all headers
MOST_HEADERS = 64
MOST_BODY = 1024
HEAD_S = 5.0  # from the connection to the last byte of the request
_REQUEST_LINE = re.compile(r"([A-Z]{1,16}) (/[!-~]{0,1023}) HTTP/1\.[01]\Z")
# RFC 9110: a token, and a value of visible characters, spaces and tabs.
_HEADER = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]{1,64}):[ \t]*((?:[!-~][ -~\t]*)?)\Z")
_ONCE = ("host", "origin", "content-length", "content-type", "sec-fetch-site")
METHODS = ("GET", "HEAD", "POST")


class RequestRefused(ZerobeatError):
    """A request that is not served; ``status`` is HTTP's number for it."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


@dataclass(frozen=True, slots=True)
class HttpRequest:
    """A request; names of headers are in lower case."""

    method: str
    path: str
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""


def parse_head(raw: bytes) -> HttpRequest:
    """Return a request without its body.

    Args:
        raw: the request line and the headers, with the empty line at the end.

    Raises:
        RequestRefused: it breaks the rules or a bound.
    """
    lines = raw.decode("latin-1").split("\r\n")
    matched = _REQUEST_LINE.match(lines[0])
    if matched is None:
        raise RequestRefused(400, "the request line is none")
    method, path = matched.groups()
    if method not in METHODS:
        raise RequestRefused(405, "allowed: GET, HEAD and POST")
    if len(lines) - 3 > MOST_HEADERS:
        raise RequestRefused(431, f"allowed: {MOST_HEADERS} headers")
    headers: dict[str, str] = {}
    for line in lines[1:-2]:
        found = _HEADER.match(line)
        if found is None:
            raise RequestRefused(400, "a header is none")
        name, value = found[1].lower(), found[2].rstrip(" \t")
        if name in headers and name in _ONCE:
            raise RequestRefused(400, f"found {name} twice")
        headers[name] = value
    if "transfer-encoding" in headers:
        raise RequestRefused(411, "allowed: a body with its length")
    return HttpRequest(method, path, headers)


def body_length(request: HttpRequest) -> int:
    """Return how many bytes follow the head.

    Raises:
        RequestRefused: more than are read, or no number.
    """
    text = request.headers.get("content-length", "0")
    if not (text.isascii() and text.isdecimal()):
        raise RequestRefused(400, "content-length is no number")
    if len(text) > 8 or int(text) > MOST_BODY:
        raise RequestRefused(413, f"allowed: a body of {MOST_BODY} bytes")
    return int(text)


async def read_request(reader: asyncio.StreamReader) -> HttpRequest:
    """Read one request within ``HEAD_S``; the reader's limit is ``MOST_HEAD``.

    Raises:
        RequestRefused: see ``parse_head``; too slow, too long, or ended before its end.
    """
    try:
        async with asyncio.timeout(HEAD_S):
            request = parse_head(await reader.readuntil(b"\r\n\r\n"))
            length = body_length(request)
            if request.method != "POST":
                if length:
                    raise RequestRefused(400, "a body belongs to POST")
                return request
            body = await reader.readexactly(length)
    except asyncio.LimitOverrunError:
        raise RequestRefused(431, f"allowed: {MOST_HEAD} bytes of headers") from None
    except asyncio.IncompleteReadError:
        raise RequestRefused(400, "the request ended before its end") from None
    except TimeoutError:
        raise RequestRefused(408, f"the request took longer than {HEAD_S:g} s") from None
    return HttpRequest(request.method, request.path, request.headers, body)
