"""A MIDI byte stream, as it comes down a cable, to whole messages.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 5 and appendix A-2 (running
status, real-time bytes inside a message, exclusive cut short).
"""

from __future__ import annotations

from collections.abc import Iterable

from ..midi import Message, parse

_COMMON_LENGTH = {0xF1: 2, 0xF2: 3, 0xF3: 2}


class ByteStream:
    """What a receiver remembers between bytes: status and what has come so far."""

    def __init__(self) -> None:
        self._status = 0  # 0: nothing kept, data bytes mean nothing
        self._pending = bytearray()

    def feed(self, content: Iterable[int]) -> list[Message]:
        """Return the messages that these bytes complete, in order.

        A message may be spread over several calls. Bytes that mean nothing
        (data without status, undefined status) are dropped in silence, as
        hardware does.
        """
        whole: list[Message] = []
        for byte in content:
            message = self._take(byte)
            if message is not None:
                whole.append(message)
        return whole

    def _take(self, byte: int) -> Message | None:
        if byte >= 0xF8:
            return parse((byte,))  # real time: may fall anywhere, clears nothing
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
