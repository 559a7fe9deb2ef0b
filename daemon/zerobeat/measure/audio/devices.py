"""Audio devices: which one an input of the rig means, and the recorder process's start and end."""

from __future__ import annotations

import json
import os
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

from ...errors import AudioError

RECORDER_START_S = 15.0
RECORDER_END_S = 4.0
GIVE_UP_LOOK_S = 0.05
_IDENTITY_TAG = re.compile(r" \[([^\[\]]+)\]$")


@dataclass(frozen=True, slots=True)
class Device:
    """An audio device with inputs.

    Attributes:
        index: PortAudio's, in this process of the recorder only.
        name: stable, without the numbers that change from boot to boot.
        identity: texts that distinguish devices of one name, best first.
        channels: number of input channels that it states.
        rate_hz: default sample rate.
        levels: (rms, peak) of each channel, full scale 1.0; None if not measured.
        used_by: the program that has it, where it can't be opened for that; "" if it is free.
    """

    index: int
    name: str
    identity: tuple[str, ...]
    channels: int
    rate_hz: float
    levels: tuple[tuple[float, float], ...] | None = None
    used_by: str = ""


@dataclass(frozen=True, slots=True)
class WantedInput:
    """An audio input as the rig names it; ``channel`` from 0."""

    name: str
    device: str
    device_is_pattern: bool = False
    channel: int = 0
    clock_ppm: float = 0.0


def _never() -> bool:
    return False


def list_devices(levels_s: float = 0.0, give_up: Callable[[], bool] = _never) -> list[Device]:
    """Return the devices with inputs, with levels over ``levels_s`` seconds if above 0.

    Raises:
        AudioError: PortAudio is not installed, or ``give_up`` has become true.
    """
    asked = {"list": True, "levels_s": levels_s}
    with start_recorder(asked) as process:
        assert process.stdout is not None
        head = first_line(process, give_up)
    return [
        Device(
            one["index"],
            one["name"],
            tuple(one["identity"]),
            one["channels"],
            one["rate_hz"],
            tuple(map(tuple, one["levels"])) if one.get("levels") else None,
            one.get("used_by", ""),
        )
        for one in head["devices"]
    ]


def find_device(wanted: WantedInput, devices: Sequence[Device]) -> Device:
    """Return the one device that an input of the rig means; nothing is guessed.

    Raises:
        AudioError: no device matches, or more than one (requirements A1, M5, M6).
    """
    tag = _IDENTITY_TAG.search(wanted.device)
    name = wanted.device if tag is None else wanted.device[: tag.start()]
    found = [one for one in devices if one.name == wanted.device]
    if not found and tag is not None:
        found = [one for one in devices if one.name == name and tag[1] in one.identity]
    if not found and wanted.device_is_pattern:
        found = [one for one in devices if fnmatchcase(one.name, wanted.device)]
    if len(found) == 1:
        return found[0]
    if not found:
        there = ", ".join(f'"{one.name}"' for one in devices) or f"none{_permission_hint()}"
        raise AudioError(
            f'audio input {wanted.name}: found no device "{wanted.device}"; there are: {there}'
        )
    lines = " or ".join(f'device: "{name_in_rig(one, devices)}"' for one in found)
    raise AudioError(
        f'audio input {wanted.name}: found {len(found)} devices "{wanted.device}"; '
        f"write one of: {lines}"
    )


def name_in_rig(device: Device, devices: Iterable[Device]) -> str:
    """Return how a rig names a device: its name, and its identity where the name is not unique."""
    same = [one for one in devices if one.name == device.name]
    if len(same) < 2:
        return device.name
    for word in device.identity:
        if sum(word in one.identity for one in same) == 1:
            return f"{device.name} [{word}]"
    return f"{device.name} <- nothing tells these apart"


def _permission_hint() -> str:
    """Return how to get access, where ALSA devices exist and none may be opened."""
    if os.path.isdir("/dev/snd") and not any(
        os.access(f"/dev/snd/{name}", os.R_OK) for name in os.listdir("/dev/snd")
    ):
        return " that may be opened; join the group: sudo usermod -aG audio $USER; log in again"
    return ""


def start_recorder(asked: dict[str, Any]) -> subprocess.Popen[bytes]:
    """Start the recorder with its one argument; it writes to a pipe, its stdout."""
    # In a session of its own: Ctrl-C reaches the command only, which then ends the recorder.
    return subprocess.Popen(
        [sys.executable, "-m", f"{__package__}.recorder", json.dumps(asked)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        bufsize=0,
        start_new_session=True,
    )


def first_line(
    process: subprocess.Popen[bytes], give_up: Callable[[], bool] = _never
) -> dict[str, Any]:
    """Return the recorder's first line, decoded.

    Raises:
        AudioError: the recorder reports an error, ended, does not answer, or was ended because
            ``give_up`` has become true.
    """
    assert process.stdout is not None
    line = b""
    end_s = time.monotonic() + RECORDER_START_S
    while not line.endswith(b"\n"):
        if give_up():
            process.kill()
            raise AudioError("audio: given up before it began")
        left_s = max(end_s - time.monotonic(), 0.0)
        ready, _, _ = select.select([process.stdout], (), (), min(left_s, GIVE_UP_LOOK_S))
        if not ready and left_s:
            continue
        part = os.read(process.stdout.fileno(), 1) if ready else b""
        if not part:
            raise AudioError("audio: the recorder ended or hangs; does the sound server answer?")
        line += part
    head: dict[str, Any] = json.loads(line)
    if "error" in head:
        raise AudioError(f"audio: {head['error']}")
    return head


def end_recorder(process: subprocess.Popen[bytes], within_s: float = RECORDER_END_S) -> None:
    """Close the pipe, so that the recorder closes its streams, as JACK needs, and ends."""
    if process.stdout is not None:
        process.stdout.close()
    try:
        process.wait(within_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
