"""Server-sent events: the newest picture to each browser, and a sign of life each second.

A slow browser gets the newest picture once it has read the one before; nothing is queued for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable, Mapping
from typing import Any

ALIVE_S = 1.0
BROWSER_STUCK_S = 10.0  # a browser that has read nothing for so long is let go
SEND_BUFFER = 32_768  # bytes that the kernel may keep for one browser
RETRY_MS = 500


def sse_event(name: str, values: Mapping[str, Any]) -> bytes:
    """Return one event; JSON holds no line end."""
    return f"event: {name}\ndata: {json.dumps(values, separators=(',', ':'))}\n\n".encode()


class LiveStream:
    """The picture, and the browsers that follow it.

    Args:
        age_s: returns the age of the picture.
        trouble: returns why the daemon is not heard; "" if it is.
    """

    def __init__(self, age_s: Callable[[], float], trouble: Callable[[], str]) -> None:
        self._age_s = age_s
        self._trouble = trouble
        self._newest = b""
        self._hello = b""
        self._changed = asyncio.Event()

    def publish(self, picture: Mapping[str, Any] | None, hello: Mapping[str, Any]) -> None:
        """Send a picture to all from now on; None where there is none yet."""
        frame = b"" if picture is None else sse_event("picture", picture)
        said = sse_event("hello", hello)
        if frame == self._newest and said == self._hello:
            return
        self._newest, self._hello = frame, said
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    def wake(self) -> None:
        """Send a sign of life to all at once: the daemon has come or gone."""
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    async def follow(self, writer: asyncio.StreamWriter) -> None:
        """Send to one browser until it goes or is stuck."""
        writer.transport.set_write_buffer_limits(high=0)  # so that drain waits for the last byte
        hello = newest = b""
        writer.write(f"retry: {RETRY_MS}\n\n".encode())
        while not writer.is_closing():
            changed = self._changed
            if hello != self._hello:
                hello = self._hello
                writer.write(hello)
            if newest != self._newest:
                newest = self._newest
                writer.write(newest)
            age = {"age_s": round(self._age_s(), 1), "trouble": self._trouble()}
            writer.write(sse_event("alive", age))
            async with asyncio.timeout(BROWSER_STUCK_S):
                await writer.drain()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(ALIVE_S):
                    await changed.wait()
