"""Splits a MIDI byte stream into messages.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 5 and appendix A-2 (running
status, real-time bytes inside a message, interrupted exclusive).
"""

from __future__ import annotations

from collections.abc import Iterable

from ..midi import Message, parse

_COMMON_LENGTH = {0xF1: 2, 0xF2: 3, 0xF3: 2}


class ByteStream:
    """A receiver's state between bytes: running status and the incomplete message."""

    def __init__(self) -> None:
        self._status = 0  # 0: none, data bytes are ignored
        self._pending = bytearray()

    def feed(self, content: Iterable[int]) -> list[Message]:
        """Return the messages that these bytes complete, in order.

        A message may be spread over several calls. Data without status and
        undefined status bytes are dropped without an error, as hardware does.
        """
        whole: list[Message] = []
        for byte in content:
            message = self._take(byte)
            if message is not None:
                whole.append(message)
        return whole

    def _take(self, byte: int) -> Message | None:
        if byte >= 0xF8:
            return parse((byte,))  # real time: allowed inside a message, changes no state
        if byte >= 0x80:
            return self._take_status(byte)
        if self._status == 0:
            return None
        self._pending.append(byte)
        if self._status == 0xF0 or len(self._pending) < self._length():
            return None
        return self._finish()

    def _take_status(self, byte: int) -> Message | None:
        ended, self._status = self._status, 0
        if byte == 0xF7:
            return parse(bytes((*self._pending, byte))) if ended == 0xF0 else None
        if byte in (0xF4, 0xF5):
            return None
        if byte == 0xF6:
            return parse((byte,))
        self._status = byte
        self._pending = bytearray((byte,))
        return None

    def _length(self) -> int:
        if self._status >= 0xF0:
            return _COMMON_LENGTH[self._status]
        return 2 if self._status & 0xF0 in (0xC0, 0xD0) else 3

    def _finish(self) -> Message | None:
        message = parse(self._pending)
        if self._status >= 0xF0:
            self._status = 0
        else:
            self._pending = bytearray((self._status,))  # running status
        return message
