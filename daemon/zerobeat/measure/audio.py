"""Audio inputs by stable name: several at once, each take whole or void.

The listening itself is done by ``recorder`` in a process of its own; here are
which device is meant (never a guess) and takes cut out of what it sends.
"""

from __future__ import annotations

import json
import os
import re
import select
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

import numpy as np

from ..errors import AudioError
from .recorder import ENDED, GAP, HEADER, OVERFLOW

START_S = 15.0
END_S = 4.0
LATE_S = 5.0  # how long a take may be overdue
MOST_VOID = 8  # takes in a row that were lost; then it is given up
_IDENTITY = re.compile(r" \[([^\[\]]+)\]$")


@dataclass(frozen=True, slots=True)
class Device:
    """Something that can be listened to.

    Attributes:
        name: stable, without the numbers that change from boot to boot.
        identity: what tells devices of one name apart, best first.
        channels: as it says itself.
        levels: (rms, peak) of each channel, full scale 1.0, if it was listened to.
    """

    index: int
    name: str
    identity: tuple[str, ...]
    channels: int
    rate_hz: float
    levels: tuple[tuple[float, float], ...] | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """An audio input as the rig names it; ``channel`` from 0."""

    name: str
    device: str
    device_is_pattern: bool = False
    channel: int = 0
    clock_ppm: float = 0.0


@dataclass(frozen=True, slots=True)
class Sound:
    """One whole take of one input.

    Attributes:
        samples: float64, shape (frames,), full scale 1.0.
        rate_hz: of the device, its clock error taken out.
        middle_s: monotonic second of its middle, by the latest it can have been.
    """

    samples: np.ndarray
    rate_hz: float
    middle_s: float


def list_devices(levels_s: float = 0.0) -> list[Device]:
    """Return what can be listened to now, with levels if ``levels_s`` is above 0.

    Raises:
        AudioError: no PortAudio here.
    """
    asked = {"list": True, "levels_s": levels_s}
    with _start(asked) as process:
        assert process.stdout is not None
        head = _head(process)
    return [
        Device(
            one["index"], one["name"], tuple(one["identity"]), one["channels"], one["rate_hz"],
            tuple(map(tuple, one["levels"])) if one.get("levels") else None,
        )
        for one in head["devices"]
    ]  # fmt: skip


def find_device(wanted: Wanted, devices: Sequence[Device]) -> Device:
    """Return the one device that an input means.

    Raises:
        AudioError: none, or more than one (requirements A1, M5, M6).
    """
    tag = _IDENTITY.search(wanted.device)
    name = wanted.device if tag is None else wanted.device[: tag.start()]
    found = [one for one in devices if one.name == wanted.device]
    if not found and tag is not None:
        found = [one for one in devices if one.name == name and tag[1] in one.identity]
    if not found and wanted.device_is_pattern:
        found = [one for one in devices if fnmatchcase(one.name, wanted.device)]
    if len(found) == 1:
        return found[0]
    if not found:
        there = ", ".join(f'"{one.name}"' for one in devices) or f"none{_forbidden()}"
        raise AudioError(
            f'audio input {wanted.name}: found no device "{wanted.device}"; there are: {there}'
        )
    lines = " or ".join(f'device: "{text_of(one, devices)}"' for one in found)
    raise AudioError(
        f'audio input {wanted.name}: found {len(found)} devices "{wanted.device}"; '
        f"write one of: {lines}"
    )


def text_of(device: Device, devices: Iterable[Device]) -> str:
    """Return how a rig names a device: with what tells it apart, where that is needed."""
    same = [one for one in devices if one.name == device.name]
    if len(same) < 2:
        return device.name
    for word in device.identity:
        if sum(word in one.identity for one in same) == 1:
            return f"{device.name} [{word}]"
    return f"{device.name} <- nothing tells these apart"


def _forbidden() -> str:
    if os.path.isdir("/dev/snd") and not any(
        os.access(f"/dev/snd/{name}", os.R_OK) for name in os.listdir("/dev/snd")
    ):
        return " that may be opened; join the group: sudo usermod -aG audio $USER; log in again"
    return ""


class AudioInputs:
    """Inputs being recorded, until ``close``.

    Args:
        wanted: at least one; inputs of one device share its stream.

    Raises:
        AudioError: a device is missing, doubled or shut, or no PortAudio is here.
    """

    def __init__(self, wanted: Sequence[Wanted]) -> None:
        listed = list_devices()
        places = {one.name: (find_device(one, listed), one) for one in wanted}
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
        self._process = _start({"record": record})
        self._heard = b""
        try:
            self.rates_hz = [float(rate) for rate in _head(self._process)["rates_hz"]]
        except BaseException:
            self.close()
            raise
        self._blocks: list[list[tuple[float, int, np.ndarray]]] = [[] for _ in indexes]

    def rate_hz(self, name: str) -> float:
        """Return the device's own rate, as it is recorded with a result."""
        return self.rates_hz[self._place[name][0]]

    def device_of(self, name: str) -> str:
        """Return the name of the device behind an input."""
        return self._device[self._place[name][0]]

    def take(self, names: Sequence[str], from_s: float, seconds: float) -> dict[str, Sound] | None:
        """Return ``seconds`` of each input, from a moment on; None if any of it was lost.

        Args:
            names: of inputs.
            from_s: monotonic; what was heard before it is not in the take.
            seconds: how long.

        Raises:
            AudioError: a device has gone.
        """
        numbers = {self._place[name][0] for name in names}
        while not all(self._complete(number, from_s, seconds) for number in numbers):
            self._hear(from_s + seconds + LATE_S)
        sounds = {name: self._cut(name, from_s, seconds) for name in names}
        for kept in self._blocks:
            kept[:] = [one for one in kept if one[0] >= from_s]
        if any(sound is None for sound in sounds.values()):
            self.void += 1
            return None
        return {name: sound for name, sound in sounds.items() if sound is not None}

    def _first(self, number: int, from_s: float) -> int:
        kept = self._blocks[number]
        return next((i for i, one in enumerate(kept) if one[0] >= from_s), len(kept))

    def _complete(self, number: int, from_s: float, seconds: float) -> bool:
        kept = self._blocks[number][self._first(number, from_s) :]
        return sum(len(one[2]) for one in kept) >= round(seconds * self.rates_hz[number])

    def _cut(self, name: str, from_s: float, seconds: float) -> Sound | None:
        """Return a take; None where a block in it, but the first, came after a loss (A6)."""
        number, column = self._place[name]
        rate_hz = self.rates_hz[number]
        frames = round(seconds * rate_hz)
        first = self._first(number, from_s)
        parts: list[np.ndarray] = []
        count = 0
        for start_s, flags, samples in self._blocks[number][first:]:
            if flags & (OVERFLOW | GAP) and parts:
                return None
            parts.append(samples[:, column])
            count += len(samples)
            if count >= frames:
                break
        samples = np.concatenate(parts)[:frames].astype(float)
        middle_s = self._blocks[number][first][0] + frames / rate_hz / 2
        return Sound(samples, rate_hz / (1 + 1e-6 * self._ppm[name]), middle_s)

    # ------------------------------------------------------------ the pipe

    def _hear(self, until_s: float) -> None:
        """Take what the recorder has sent; wait for it."""
        assert self._process.stdout is not None
        left_s = until_s - time.monotonic()
        ready, _, _ = select.select([self._process.stdout], (), (), max(left_s, 0.0))
        content = os.read(self._process.stdout.fileno(), 1 << 20) if ready else b""
        if not content:
            name = ", ".join(dict.fromkeys(self._device))
            why = "sends no more sound" if not ready else "ended while it was listened to"
            raise AudioError(f"{name}: {why}; is it plugged in, does its server run?")
        self._heard += content
        place = 0
        while len(self._heard) - place >= HEADER.size:
            number, flags, frames, start_s = HEADER.unpack_from(self._heard, place)
            if flags & ENDED:
                raise AudioError(f"{self._device[number]}: has gone; plug it in again, then repeat")
            columns = len(self._channels[number])
            end = place + HEADER.size + 4 * frames * columns
            if len(self._heard) < end:
                break
            samples = np.frombuffer(self._heard, np.float32, frames * columns, place + HEADER.size)
            self._blocks[number].append((start_s, flags, samples.reshape(frames, columns)))
            place = end
        self._heard = self._heard[place:]

    @property
    def pid(self) -> int:
        return self._process.pid

    def close(self) -> None:
        """End the recorder; a second time does nothing."""
        _end(self._process)

    def __enter__(self) -> AudioInputs:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _start(asked: dict[str, Any]) -> subprocess.Popen[bytes]:
    # A session of its own: Ctrl-C is for the command, which then ends this one.
    return subprocess.Popen(
        [sys.executable, "-m", f"{__package__}.recorder", json.dumps(asked)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        bufsize=0, start_new_session=True,
    )  # fmt: skip


def _head(process: subprocess.Popen[bytes]) -> dict[str, Any]:
    """Return the recorder's first line."""
    assert process.stdout is not None
    line = b""
    end_s = time.monotonic() + START_S
    while not line.endswith(b"\n"):
        ready, _, _ = select.select([process.stdout], (), (), max(end_s - time.monotonic(), 0.0))
        part = os.read(process.stdout.fileno(), 1) if ready else b""
        if not part:
            raise AudioError("audio: the recorder ended or hangs; does the sound server answer?")
        line += part
    head: dict[str, Any] = json.loads(line)
    if "error" in head:
        raise AudioError(f"audio: {head['error']}")
    return head


def _end(process: subprocess.Popen[bytes]) -> None:
    """Close the pipe: the recorder closes its streams in peace, which JACK needs, and ends."""
    if process.stdout is not None:
        process.stdout.close()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
