"""The recorder process: PortAudio in, blocks of samples out on a pipe.

    python -m zerobeat.measure.audio.recorder '{"list": true, "levels_s": 0.5}'
    python -m zerobeat.measure.audio.recorder '{"record": [{"device": 3, "channels": [0, 1]}]}'

Each run is a new process, because PortAudio lists devices at its start only,
and because a crash in here must not reach anything else (requirement A3). The
first line of output is JSON; then, while recording, packets of ``HEADER`` and samples
(float32, frame by frame) until the pipe is closed.
"""

from __future__ import annotations

import json
import os
import re
import signal
import struct
import sys
import time
from collections import deque
from pathlib import Path
from typing import Any

HEADER = struct.Struct("<HHId")  # stream, flags, frames, monotonic second of the first frame
OVERFLOW, GAP, ENDED = 1, 2, 4  # flags; ENDED comes alone, without frames
KEPT_S = 6.0  # of sound kept while nobody reads; older blocks are dropped, which makes a gap
DEVICE_GONE_S = 2.0  # without a block: the device was unplugged or its server ended
MOST_BLOCKS = 65_536
CLOSING_S = 2
JITTER_S = 0.02  # of PortAudio's times under load; PortAudio itself flags smaller losses
MOST_LATENCY_S = 0.5
GUESSED_LATENCY_S = 0.05  # where a driver reports no plausible latency
SAMPLE_RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
ALSA_FOLDER = Path("/proc/asound")
_ALSA_CARD = re.compile(r" \(hw:(\d+),(\d+)\)$")


def devices(audio: Any) -> list[dict[str, Any]]:
    """Return the devices with inputs: index, stable name, identity, channels, rate, API."""
    found = []
    apis = [api["name"] for api in audio.query_hostapis()]
    for index, device in enumerate(audio.query_devices()):
        if device["max_input_channels"] < 1:
            continue
        api = "jack" if "JACK" in apis[device["hostapi"]] else apis[device["hostapi"]].lower()
        card = _ALSA_CARD.search(device["name"])
        found.append(
            {
                "index": index,
                "name": _ALSA_CARD.sub("", device["name"]),
                "identity": [*(_identity(int(card[1]), int(card[2])) if card else ()), api],
                "channels": device["max_input_channels"],
                "rate_hz": device["default_samplerate"],
                "api": api,
            }
        )
    if "ALSA" in apis:
        found += used_devices(ALSA_FOLDER)
    return found


def used_devices(folder: Path) -> list[dict[str, Any]]:
    """Return ALSA's devices with inputs that are all in use: PortAudio leaves them out.

    Source: the kernel's sound/core/pcm.c, snd_pcm_proc_info_read; the name is made as
    PortAudio's pa_linux_alsa.c makes it.
    """
    found = []
    for path in sorted(folder.glob("card*/pcm*c/info")):
        try:
            pairs = [line.partition(": ") for line in path.read_text().splitlines()]
            info = {key: value for key, _, value in pairs}
            if info["subdevices_avail"] != "0":
                continue
            card, device = int(info["card"]), int(info["device"])
            title = _card_title(folder, card)
        except (OSError, KeyError, ValueError):
            continue
        name = f"{title}: {info['name'].removeprefix(title).strip() or '-'}"
        used = {"index": -1, "name": name, "identity": [*_identity(card, device), "alsa"]}
        used |= {"channels": 0, "rate_hz": 0.0, "api": "alsa", "used_by": _owner(path.parent)}
        found.append(used)
    return found


def _card_title(folder: Path, card: int) -> str:
    lines = (folder / "cards").read_text().splitlines()
    head = next(line for line in lines if line.partition("[")[0].strip() == str(card))
    return head.rpartition(" - ")[2].strip()


def _owner(folder: Path) -> str:
    """Return the name of the program that has a device open, where it may be known."""
    for path in sorted(folder.glob("sub*/status")):
        try:
            owner = re.search(r"owner_pid\s*: (\d+)", path.read_text())
            if owner is not None:
                return Path(f"/proc/{owner[1]}/comm").read_text().strip()
        except OSError:
            continue
    return "another program"


def _identity(card: int, device: int) -> list[str]:
    """Return what distinguishes devices of one name, best first (A1).

    The USB socket and the card's id tell cards apart, the device number two devices of
    one card (a driver always gives a device the same); both are needed for two such cards.
    """
    place = f"device {device}"
    cards = _card_identity(card)
    return [*cards, place, *(f"{one} {place}" for one in cards)]


def _card_identity(card: int) -> list[str]:
    found = []
    place = os.path.basename(os.path.realpath(f"/sys/class/sound/card{card}/device"))
    if re.fullmatch(r"\d+-[\d.]+:[\d.]+", place):
        found.append(f"usb {place.partition(':')[0]}")
    try:
        found.append(f"card {Path(f'/proc/asound/card{card}/id').read_text().strip()}")
    except OSError:
        pass
    return found


class Stream:
    """Records some channels of one device.

    Args:
        audio: the module ``sounddevice``.
        number: of the stream, in packets.
        device: of ``devices``.
        channels: to record, from 0.
        blocks: receives (number, flags, start_s, frames, bytes).
    """

    def __init__(
        self,
        audio: Any,
        number: int,
        device: dict[str, Any],
        channels: list[int],
        blocks: deque[tuple[int, int, float, int, bytes]],
    ) -> None:
        self._number, self._channels, self._blocks = number, channels, blocks
        self._due_s = 0.0
        self.flags = 0
        self.last_block_s = time.monotonic()
        self.rate_hz = float(device["rate_hz"])
        self._latency_s = GUESSED_LATENCY_S
        self.stream = audio.InputStream(
            device=device["index"],
            channels=max(channels) + 1,
            samplerate=self.rate_hz,
            dtype="float32",
            latency="high",
            callback=self._receive,
        )
        if 0.0 < self.stream.latency <= MOST_LATENCY_S:
            self._latency_s = float(self.stream.latency)

    def start(self) -> None:
        """Start recording."""
        self.stream.start()
        self.last_block_s = time.monotonic()

    def _receive(self, samples: Any, frames: int, times: Any, status: Any) -> None:
        """Append a block; PortAudio's callback, on its own thread."""
        now_s = time.monotonic()
        length_s = frames / self.rate_hz
        flags = self.flags | (OVERFLOW if status.input_overflow else 0)
        self.flags = 0
        if times.inputBufferAdcTime > 0.0:
            if self._due_s and times.inputBufferAdcTime - self._due_s > JITTER_S + length_s / 2:
                flags |= GAP
            self._due_s = times.inputBufferAdcTime + length_s
        start_s = now_s - length_s - self._latency_s
        self.last_block_s = now_s
        content = samples[:, self._channels].tobytes()
        self._blocks.append((self._number, flags, start_s, frames, content))


def record(audio: Any, wanted: list[dict[str, Any]]) -> None:
    """Record until the pipe is closed or a device ends."""
    blocks: deque[tuple[int, int, float, int, bytes]] = deque(maxlen=MOST_BLOCKS)
    known = {device["index"]: device for device in devices(audio)}
    streams = []
    for number, one in enumerate(wanted):
        device = known[one["device"]]
        try:
            stream = Stream(audio, number, device, one["channels"], blocks)
        except audio.PortAudioError as error:
            _write_line({"error": _open_error(audio, device, one["channels"], error)})
            return
        streams.append(stream)
    for stream in streams:
        stream.start()
    _write_line({"rates_hz": [stream.rate_hz for stream in streams]})
    try:
        _send_blocks(streams, blocks)
    except BrokenPipeError:
        pass  # the reader is done
    signal.alarm(CLOSING_S)
    for stream in streams:
        stream.stream.close()


def _send_blocks(streams: list[Stream], blocks: deque[tuple[int, int, float, int, bytes]]) -> None:
    """Write blocks as they come; return when a device stops sending."""
    out = sys.stdout.buffer
    while True:
        time.sleep(0.01)
        while blocks:
            number, flags, start_s, frames, content = blocks.popleft()
            if time.monotonic() - start_s > KEPT_S:
                streams[number].flags |= GAP  # nobody read in time; the next block carries the flag
                continue
            out.write(HEADER.pack(number, flags, frames, start_s) + content)
        for number, stream in enumerate(streams):
            if time.monotonic() - stream.last_block_s > DEVICE_GONE_S or not stream.stream.active:
                out.write(HEADER.pack(number, ENDED, 0, time.monotonic()))
                out.flush()
                return
        out.flush()


def _open_error(audio: Any, device: dict[str, Any], channels: list[int], error: Exception) -> str:
    """Return one line: what was requested of the device, what it states it has (A4, A5)."""
    offered = []
    for rate_hz in SAMPLE_RATES_HZ:
        try:
            audio.check_input_settings(device["index"], max(channels) + 1, "float32", None, rate_hz)
            offered.append(str(rate_hz))
        except (audio.PortAudioError, ValueError):
            continue
    why = str(error).partition(" [")[0]
    return (
        f"{device['name']}: can't be opened with channel number {max(channels) + 1} at "
        f"{device['rate_hz']:g} Hz: {why}; it names {device['channels']} channels and takes "
        f"{', '.join(offered) or 'no rate'}"
    )


def levels(audio: Any, device: dict[str, Any], seconds: float) -> list[tuple[float, float]] | None:
    """Return (rms, peak) of each channel, full scale 1.0; None if the device can't be opened."""
    blocks: deque[tuple[int, int, float, int, bytes]] = deque()
    count = min(int(device["channels"]), 32)
    try:
        stream = Stream(audio, 0, device, list(range(count)), blocks)
        stream.start()
        time.sleep(seconds)
        stream.stream.close()
    except audio.PortAudioError:
        return None
    import numpy as np

    sound = np.frombuffer(b"".join(content for *_, content in blocks), np.float32)
    sound = sound.reshape(-1, count)
    if not len(sound):
        return None
    steady = sound - sound.mean(axis=0)
    rms = np.sqrt((steady**2).mean(axis=0))
    return [(float(r), float(p)) for r, p in zip(rms, np.abs(sound).max(axis=0), strict=True)]


def _write_line(value: dict[str, Any]) -> None:
    sys.stdout.buffer.write(json.dumps(value).encode() + b"\n")
    sys.stdout.buffer.flush()


def _keep_the_pipe() -> None:
    """Let the audio libraries write to the standard error: their words would cut the sound.

    libjack writes what it wants to say to the standard output, also while sound comes.
    """
    pipe = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    sys.stdout = os.fdopen(pipe, "w")


def main() -> int:
    """List devices or record, as the one argument says."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the command that started this process ends it
    _keep_the_pipe()
    asked = json.loads(sys.argv[1])
    try:
        import sounddevice
    except ModuleNotFoundError:
        _write_line(
            {
                "error": "found no Python package sounddevice; install it with: "
                "pip install 'zerobeat[audio]'"
            }
        )
        return 1
    except OSError:
        _write_line(
            {"error": "found no PortAudio library; install it with: apt install libportaudio2"}
        )
        return 1
    try:
        if asked.get("list"):
            found = devices(sounddevice)
            if asked.get("levels_s"):
                for device in found:
                    if "used_by" in device:
                        continue
                    device["levels"] = levels(sounddevice, device, asked["levels_s"])
            _write_line({"devices": found})
        else:
            record(sounddevice, asked["record"])
    except BrokenPipeError:
        pass
    except sounddevice.PortAudioError as error:
        _write_line({"error": f"PortAudio: {str(error).partition(' [')[0]}"})
    # A JACK server waits seconds for a client that ends without closing, and PortAudio's
    # termination may hang on a device that was unplugged: it gets CLOSING_S, then the alarm.
    signal.alarm(CLOSING_S)
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
