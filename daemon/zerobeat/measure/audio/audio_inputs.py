"""Audio inputs by stable name: several at once, each take complete or discarded.

``recorder`` records in a process of its own; here takes are cut out of the
blocks that it sends.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ...errors import AudioError
from .devices import (
    WantedInput,
    end_recorder,
    find_device,
    first_line,
    list_devices,
    start_recorder,
)
from .recorder import ENDED, GAP, HEADER, OVERFLOW

TAKE_LATE_S = 5.0  # how long a take may be overdue
GIVE_UP_S = 0.4
MOST_VOID = 8  # takes in a row that were lost; then the listener says so and waits


@dataclass(frozen=True, slots=True)
class AudioTake:
    """The sound of one complete take on one input.

    Attributes:
        samples: float64, shape (frames,), full scale 1.0.
        rate_hz: of the device, its clock error taken out.
        middle_s: monotonic time of its middle, at the latest.
    """

    samples: np.ndarray
    rate_hz: float
    middle_s: float


class AudioInputs:
    """Records audio inputs until ``close``.

    Args:
        wanted: at least one; inputs of one device share its stream.
        give_up: looked at while the devices are being opened: true ends that at once.

    Raises:
        AudioError: a device is missing, ambiguous, in use or can't be opened, PortAudio is
            not installed, or it was given up.
    """

    def __init__(
        self, wanted: Sequence[WantedInput], give_up: Callable[[], bool] = lambda: False
    ) -> None:
        listed = list_devices(give_up=give_up)
        places = {one.name: (find_device(one, listed), one) for one in wanted}
        for device, one in places.values():
            if device.used_by:
                raise AudioError(
                    f'audio input {one.name}: "{one.device}" is in use by {device.used_by}; '
                    "end that, then repeat"
                )
        indexes = list(dict.fromkeys(device.index for device, _ in places.values()))
        self._channels = [
            sorted({one.channel for device, one in places.values() if device.index == index})
            for index in indexes
        ]
        self._place = {
            name: (number := indexes.index(device.index), self._channels[number].index(one.channel))
            for name, (device, one) in places.items()
        }
        self._device = [next(d.name for d in listed if d.index == index) for index in indexes]
        self._ppm = {one.name: one.clock_ppm for one in wanted}
        self.void = 0  # takes lost to overflow or a gap, so far
        record = [
            {"device": index, "channels": channels}
            for index, channels in zip(indexes, self._channels, strict=True)
        ]
        self._process = start_recorder({"record": record})
        self._received = b""
        try:
            self.rates_hz = [float(rate) for rate in first_line(self._process, give_up)["rates_hz"]]
        except BaseException:
            self.close()
            raise
        self._blocks: list[list[tuple[float, int, np.ndarray]]] = [[] for _ in indexes]

    def rate_hz(self, name: str) -> float:
        """Return the sample rate that the device states, without clock correction."""
        return self.rates_hz[self._place[name][0]]

    def device_of(self, name: str) -> str:
        """Return the name of the device behind an input."""
        return self._device[self._place[name][0]]

    def take(
        self, names: Sequence[str], from_s: float, seconds: float
    ) -> dict[str, AudioTake] | None:
        """Return ``seconds`` of each input, from a moment on; None if any of it was lost.

        Args:
            names: of inputs.
            from_s: monotonic time of the first sample, at the earliest.
            seconds: length of the take.

        Raises:
            AudioError: a device was unplugged, or its server ended.
        """
        numbers = {self._place[name][0] for name in names}
        while not all(self._complete(number, from_s, seconds) for number in numbers):
            self._hear(from_s + seconds + TAKE_LATE_S)
        sounds = {name: self._cut(name, from_s, seconds) for name in names}
        for kept in self._blocks:
            kept[:] = [one for one in kept if one[0] >= from_s]
        if any(sound is None for sound in sounds.values()):
            self.void += 1
            return None
        return {name: sound for name, sound in sounds.items() if sound is not None}

    def _first(self, number: int, from_s: float) -> int:
        """Return the index of a stream's first block that begins at a time or later."""
        kept = self._blocks[number]
        return next((i for i, one in enumerate(kept) if one[0] >= from_s), len(kept))

    def _complete(self, number: int, from_s: float, seconds: float) -> bool:
        kept = self._blocks[number][self._first(number, from_s) :]
        return sum(len(one[2]) for one in kept) >= round(seconds * self.rates_hz[number])

    def _cut(self, name: str, from_s: float, seconds: float) -> AudioTake | None:
        """Return a take; None where samples were lost before any block but its first (A6)."""
        number, column = self._place[name]
        rate_hz = self.rates_hz[number]
        frames = round(seconds * rate_hz)
        first = self._first(number, from_s)
        samples = _joined(self._blocks[number][first:], column, frames)
        if samples is None:
            return None
        middle_s = self._blocks[number][first][0] + frames / rate_hz / 2
        return AudioTake(samples, rate_hz / (1 + 1e-6 * self._ppm[name]), middle_s)

    # ------------------------------------------------------------ without waiting

    def fileno(self) -> int:
        """Return what is readable when sound has come."""
        assert self._process.stdout is not None
        return self._process.stdout.fileno()

    def poll(self) -> None:
        """Take what has been recorded; never waits.

        Raises:
            AudioError: a device was unplugged, or its server ended.
        """
        while select.select([self.fileno()], (), (), 0)[0]:
            self._hear(time.monotonic())

    def head_s(self, name: str) -> float:
        """Return the time up to which an input was recorded."""
        number, _ = self._place[name]
        kept = self._blocks[number]
        if not kept:
            return 0.0
        return kept[-1][0] + len(kept[-1][2]) / self.rates_hz[number]

    def whole(self, name: str, from_s: float, seconds: float) -> AudioTake | None:
        """Return recorded sound from a moment on; None if it is not there whole."""
        number, column = self._place[name]
        rate_hz = self.rates_hz[number]
        kept, frames = self._blocks[number], round(seconds * rate_hz)
        first = max((i for i, one in enumerate(kept) if one[0] <= from_s), default=None)
        if first is None:
            return None
        skip = max(0, round((from_s - kept[first][0]) * rate_hz))
        samples = _joined(kept[first:], column, skip + frames)
        if samples is None or len(samples) < skip + frames:
            return None
        samples = samples[skip:]
        return AudioTake(samples, rate_hz / (1 + 1e-6 * self._ppm[name]), from_s + seconds / 2)

    def forget(self, before_s: float) -> None:
        """Drop sound that ended before a moment."""
        for number, kept in enumerate(self._blocks):
            rate_hz = self.rates_hz[number]
            kept[:] = [one for one in kept if one[0] + len(one[2]) / rate_hz >= before_s]

    # ------------------------------------------------------------ the pipe

    def _hear(self, until_s: float) -> None:
        """Read what the recorder sends next and append its blocks; wait at most to ``until_s``."""
        assert self._process.stdout is not None
        left_s = until_s - time.monotonic()
        ready, _, _ = select.select([self._process.stdout], (), (), max(left_s, 0.0))
        content = os.read(self._process.stdout.fileno(), 1 << 20) if ready else b""
        if not content:
            name = ", ".join(dict.fromkeys(self._device))
            why = "sends no more sound" if not ready else "ended while it was listened to"
            raise AudioError(f"{name}: {why}; is it plugged in, does its server run?")
        self._received += content
        place = 0
        while len(self._received) - place >= HEADER.size:
            number, flags, frames, start_s = HEADER.unpack_from(self._received, place)
            if flags & ENDED:
                raise AudioError(f"{self._device[number]}: has gone; plug it in again, then repeat")
            columns = len(self._channels[number])
            end = place + HEADER.size + 4 * frames * columns
            if len(self._received) < end:
                break
            samples = np.frombuffer(
                self._received, np.float32, frames * columns, place + HEADER.size
            )
            self._blocks[number].append((start_s, flags, samples.reshape(frames, columns)))
            place = end
        self._received = self._received[place:]

    @property
    def pid(self) -> int:
        """The recorder's process."""
        return self._process.pid

    def close(self) -> None:
        """End the recorder; a second time does nothing."""
        end_recorder(self._process)

    def close_now(self) -> None:
        """End the recorder within half a second, for another program that waits for the card."""
        end_recorder(self._process, GIVE_UP_S)

    def __enter__(self) -> AudioInputs:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _joined(
    blocks: Sequence[tuple[float, int, np.ndarray]], column: int, frames: int
) -> np.ndarray | None:
    """Return the first samples of a column, shape (frames,) or shorter where blocks end.

    None if samples were lost before any block but the first (A6).
    """
    parts: list[np.ndarray] = []
    count = 0
    for _, flags, samples in blocks:
        if flags & (OVERFLOW | GAP) and parts:
            return None
        parts.append(samples[:, column])
        count += len(samples)
        if count >= frames:
            break
    return np.concatenate(parts)[:frames].astype(float)
