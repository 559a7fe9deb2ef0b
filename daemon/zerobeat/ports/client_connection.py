"""One client of the control socket: lines in and out, its rate budget and limits.

Nothing here waits: what can't be sent stays in a bounded buffer, and a client that breaks
a limit is closed with one line that says why.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import socket
from collections.abc import Mapping
from pathlib import Path

from ..errors import PortError
from ..json_value import JsonObject, JsonValue
from ..text import printable
from .expected_lines import ExpectedLines
from .roles import NOBODY

LONGEST_REQUEST = 16_384
LONGEST_PROFILE = 65_536  # a line of put_profile, which is checked in a process of its own
HEAD = 256  # bytes in which such a line names its command
DEEPEST = 12
MOST_VALUES = 1_024
MOST_PROFILE_VALUES = 20_000
LONGEST_KEY = 256
LONGEST_TEXT = 4_096
LARGEST_NUMBER = 1e15
LARGEST_BACKLOG = 262_144  # bytes that a slow reader may leave unread
STUCK_S = 10.0  # neither reading on nor ending a line
RATE_HZ = 100.0  # commands a second
BURST = 20.0
PIECE = 512  # bytes of a line; each more counts as another command
CHUNK = 16_384  # read at once
LONGEST_PATH = 107  # sun_path of Linux, less its end mark


class MalformedError(Exception):
    """A line that is not a request; the text says why."""


def parse_request(line: bytes) -> JsonObject:
    """Return the request of a line: valid Unicode, and within the bounds above.

    Raises:
        MalformedError: not a JSON object of this protocol.
    """
    try:
        text = line.decode("utf-8")
        found = json.loads(text, parse_constant=_refuse)
    except UnicodeDecodeError:
        raise MalformedError("found bytes that are not UTF-8; allowed: one JSON object") from None
    except (ValueError, RecursionError) as error:
        why = printable(str(error), 80)
        raise MalformedError(f"found no JSON ({why}); allowed: one JSON object a line") from None
    if not isinstance(found, dict):
        raise MalformedError("found a value that is no object; allowed: one JSON object a line")
    long = found.get("command") == "put_profile"
    if len(line) > LONGEST_REQUEST and not long:
        raise MalformedError(f"found a line over {LONGEST_REQUEST} bytes; allowed: no more")
    _check_bounds(found, MOST_PROFILE_VALUES if long else MOST_VALUES)
    if "\\ud" in text or "\\uD" in text:  # only an escape can stand for half a character
        try:
            json.dumps(found, ensure_ascii=False).encode()
        except UnicodeEncodeError:
            raise MalformedError("found half a surrogate pair; allowed: Unicode text") from None
    return found


def _check_bounds(found: JsonObject, most: int) -> None:
    count = 0
    level: list[JsonValue] = [found]
    for _ in range(DEEPEST):
        inner: list[JsonValue] = []
        for value in level:
            if isinstance(value, dict):
                if any(len(key) > LONGEST_KEY for key in value):
                    raise MalformedError(f"found a name over {LONGEST_KEY} characters")
                inner += value.values()
            elif isinstance(value, list):
                inner += value
            elif isinstance(value, str):
                if len(value) > LONGEST_TEXT:
                    raise MalformedError(f"found a text over {LONGEST_TEXT} characters")
            elif value is not None and not -LARGEST_NUMBER <= value <= LARGEST_NUMBER:
                raise MalformedError(f"found a number beyond {LARGEST_NUMBER:g}")
        count += len(inner)
        if count > most:
            raise MalformedError(f"found over {most} values in one line; allowed: no more")
        level = inner
    if level:
        raise MalformedError(f"found values nested over {DEEPEST} deep; allowed: no deeper")


def _refuse(name: str) -> None:
    raise ValueError(f"{name} is no number")


class ClientConnection:
    """One client.

    Args:
        link: its socket, non-blocking from here on.
        now_s: monotonic seconds.
        roles: what it may be.
        user: whose process it is.

    Attributes:
        follow_s: seconds between pictures, or None; ``follow_id`` goes with each.
        asked: ids of ``status`` requests that wait for the next picture.
        owed: how many answers are still to come from a ``DeferredAnswer``.
        open: False once it is closed.
        allowed, roles: what its user may be, and what it has asked to be.
        seat: the role whose seat it takes; "" before its first request.
        asked_s: when it asked last.
    """

    def __init__(
        self,
        link: socket.socket,
        now_s: float,
        roles: frozenset[str] = frozenset(("all",)),
        user: int = NOBODY,
    ) -> None:
        link.setblocking(False)
        self.user = user
        self.allowed = self.roles = roles
        self._link = link
        self._in = bytearray()
        self._out = bytearray()
        self._tokens = BURST
        self._counted_s = now_s
        self._line_since_s = now_s
        self._out_since_s = now_s
        self._ended = False  # it sends no more
        self._closing = False  # closed once its last line is out
        self.open = True
        self.seat = ""
        self.asked_s = now_s
        self.follow_s: float | None = None
        self.follow_id: object = None
        self.follow_due_s = 0.0
        self.shown = ""  # the picture it was sent last, and when it last heard of one
        self.last_sent_s = 0.0
        self.asked: list[object] = []
        self.owed = 0
        self.has_raw_input = False  # to raw input
        self.listen_id: object = None
        self.missed = 0  # messages, while it did not read
        self.expected: ExpectedLines | None = None  # the stream, if it asked for it
        self.expected_id: object = None

    def fileno(self) -> int:
        return self._link.fileno()

    @property
    def waits(self) -> bool:
        """True while it is owed something: an answer, pictures, raw input."""
        return bool(self.asked or self.owed or self.streams)

    @property
    def streams(self) -> bool:
        """True while it is sent something without asking again."""
        return self.has_raw_input or self.follow_s is not None or self.expected is not None

    @property
    def only_follows(self) -> bool:
        """True if all that it is owed is the picture, again and again."""
        more = self.has_raw_input or self.expected is not None or self.asked or self.owed
        return self.follow_s is not None and not more

    # ------------------------------------------------------------ in

    def _whole_line(self) -> bool:
        return b"\n" in self._in

    def _refill(self, now_s: float) -> None:
        if now_s > self._counted_s:
            self._tokens = min(BURST, self._tokens + (now_s - self._counted_s) * RATE_HZ)
            self._counted_s = now_s

    def wants_to_read(self, now_s: float) -> bool:
        """True if its socket may be read: a command left, and no line waiting for its turn."""
        self._refill(now_s)
        return (
            self.open  # an answer that came later may have found it gone
            and not self._ended
            and not self._closing
            and self._tokens >= 1
            and not self._whole_line()
        )

    def ready_at_s(self, now_s: float) -> float:
        """Return when this client must be served next although its socket says nothing."""
        if self._closing:
            return math.inf
        self._refill(now_s)
        if self._tokens < 1:
            return now_s + (1 - self._tokens) / RATE_HZ
        if self._whole_line() or (self._ended and not self._expects_more()):
            return now_s
        return self._line_since_s + STUCK_S if self._in else math.inf

    def read(self, now_s: float) -> None:
        """Read what has arrived."""
        try:
            content = self._link.recv(CHUNK)
        except BlockingIOError:
            return
        except OSError:
            self.close()
            return
        if not content:
            self._ended = True
            if self._in:
                self._in += b"\n"  # a last line needs no end of its own
        if not self._in:
            self._line_since_s = now_s
        self._in += content

    def next_line(self, now_s: float) -> bytes | None:
        """Return one line if a whole one is there and the budget allows it."""
        self._refill(now_s)
        if self._closing or self._tokens < 1:
            return None
        end = self._in.find(b"\n")
        longest = LONGEST_PROFILE if b'"put_profile"' in self._in[:HEAD] else LONGEST_REQUEST
        if end < 0:
            if len(self._in) > longest:
                self.refuse(f"found a line over {longest} bytes; allowed: no more", now_s)
            elif self._ended and not self._expects_more():
                self._close_when_sent()
            elif self._in and now_s - self._line_since_s > STUCK_S:
                self.refuse(f"found no end of a line for {STUCK_S:g} s", now_s)
            return None
        line = bytes(self._in[:end])
        del self._in[: end + 1]
        self._line_since_s = now_s
        self._tokens -= 1 + len(line) // PIECE  # may owe: then it waits the longer
        if not line.strip():
            return None
        self.asked_s = now_s
        if len(line) > longest:
            self.refuse(f"found a line over {longest} bytes; allowed: no more", now_s)
            return None
        return line

    def _expects_more(self) -> bool:
        return bool(self.asked or self.owed)

    # ------------------------------------------------------------ out

    def wants_to_write(self) -> bool:
        return self.open and bool(self._out)

    def send_answer(self, answer: Mapping[str, object], now_s: float) -> None:
        """Send one answer, as far as it goes without waiting."""
        self.send_line(json.dumps(answer), now_s)

    def send_line(self, line: str, now_s: float) -> None:
        """Send one line that is JSON already."""
        if not self.open:
            return
        if not self._out:
            self._out_since_s = now_s
        self._out += line.encode("ascii") + b"\n"
        self.write(now_s)
        if len(self._out) > LARGEST_BACKLOG:
            self.close()

    def write(self, now_s: float) -> None:
        """Send what is buffered, as far as it goes without waiting."""
        while self._out and self.open:
            try:
                sent = self._link.send(self._out)
            except BlockingIOError:
                break
            except OSError:
                self.close()
                return
            del self._out[:sent]
            self._out_since_s = now_s
        if self._closing and not self._out:
            self.close()

    def reads_its_answers(self, now_s: float) -> bool:
        """False once it has left answers unread for too long."""
        return not self._out or now_s - self._out_since_s <= STUCK_S

    def send_owed(self, answer: Mapping[str, object], now_s: float) -> None:
        """Send an answer that was owed."""
        self.owed -= 1
        self.send_answer(answer, now_s)

    def refuse(self, why: str, now_s: float, **more: object) -> None:
        """Send the reason, then close."""
        self._closing = True
        self.send_answer(
            {"id": None, "ok": False, "error": f"{why}; the connection is closed", **more},
            now_s,
        )

    def _close_when_sent(self) -> None:
        self._closing = True
        if not self._out:
            self.close()

    def close(self) -> None:
        """Close now; a second time does nothing."""
        if self.open:
            self.open = False
            with contextlib.suppress(OSError):
                self._link.close()


def bind_socket(path: Path, most: int) -> socket.socket:
    """Return a listening Unix socket that its owner and group may use.

    Raises:
        PortError: it can't be made.
    """
    if len(os.fsencode(path)) > LONGEST_PATH:
        raise PortError(
            f"{path}: found {len(os.fsencode(path))} bytes; allowed for a socket: {LONGEST_PATH}; "
            "set XDG_RUNTIME_DIR to a shorter folder"
        )
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    listener.setblocking(False)
    before = os.umask(0o117)  # born 0660; no moment in which others may connect
    try:
        path.unlink(missing_ok=True)  # of a daemon that was killed: the lock is ours
        listener.bind(os.fspath(path))
        listener.listen(most)
    except OSError as error:
        listener.close()
        raise PortError(f"{path}: can't be made: {error.strerror}") from None
    finally:
        os.umask(before)
    return listener
