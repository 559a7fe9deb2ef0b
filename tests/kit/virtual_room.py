"""A measuring session whose daemon and sound card are a virtual case; time is counted.

All of ``calibration`` runs as it does live. ``play`` and ``release`` become bytes for the
virtual converter, at the pace of a DIN cable; takes are cut out of the case's mix. A wait is
counted from the real clock's, so that a session of minutes runs as fast as it computes.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from zerobeat.calibration.measuring_session import MeasuringSession
from zerobeat.config.rig import LoadedRig
from zerobeat.engine.chain import Chain
from zerobeat.engine.settings import PLAIN, Tonight
from zerobeat.measure.audio.audio_inputs import AudioTake
from zerobeat.midi import NoteOff, NoteOn, PitchBend, encode
from zerobeat.sim.scenario import SAMPLE_RATE_HZ
from zerobeat.sim.virtual_case import VirtualCase
from zerobeat.state.state_directory import load_rig
from zerobeat.tuning.bend import cents_to_bend

DIN_S = 1.0 / 3125.0  # a byte
COMMAND_S = 0.002  # the socket's way and the daemon's turn


class VirtualDaemon:
    """What a measuring session asks of the daemon, played on a virtual case."""

    def __init__(self, case: VirtualCase, loaded: LoadedRig, start_s: float) -> None:
        self.case, self.loaded, self.now_s = case, loaded, start_s
        self.voices = {voice.name: voice for voice in loaded.rig.voices}
        self.sounding: dict[str, int] = {}
        self.asked: list[tuple[str, Mapping[str, object]]] = []

    def ask(self, command: str, **values: object) -> dict[str, object]:
        self.asked.append((command, values))
        self.now_s += COMMAND_S
        if command == "play":
            self._play(str(values["voice"]), values)
        elif command == "release":
            name = str(values.get("voice", "all"))
            for one in list(self.sounding) if name == "all" else [name]:
                self._release(one)
        return {}

    def status(self) -> dict[str, object]:
        touch_up: dict[str, float] = {}
        return {
            "voices": [{"name": name, "touch_up": touch_up} for name in self.voices],
            "outputs": [{"name": one.name, "there": True} for one in self.loaded.rig.outputs],
            "presses": 0,
            "foot_presses": 0,
        }

    def _send(self, message) -> None:
        content = encode(message)
        self.now_s += DIN_S * len(content)
        self.case.play([(self.now_s, content)])

    def _play(self, name: str, values: Mapping[str, object]) -> None:
        voice = self.voices[name]
        if values.get("corrected"):
            chain = Chain(voice, PLAIN, Tonight())
            place = chain.place(float(values["pitch_cents"]))
            note, cents = place.note, chain.left_over(place.commanded_cents, place.note)
        else:
            note, cents = int(values["note"]), float(values["bend_cents"])
        bend = cents_to_bend(cents, voice.bend_range_cents)
        if self.sounding.get(name) != note:
            self._release(name)
        self._send(PitchBend(voice.channel, bend))
        if name not in self.sounding:
            self._send(NoteOn(voice.channel, note, 100))
        self.sounding[name] = note

    def _release(self, name: str) -> None:
        if name in self.sounding:
            self._send(NoteOff(self.voices[name].channel, self.sounding.pop(name)))


class VirtualInputs:
    """The audio inputs: each hears the voices that are patched to it."""

    def __init__(self, daemon: VirtualDaemon) -> None:
        self._daemon = daemon
        self.bent: Callable[[np.ndarray], np.ndarray] = lambda samples: samples  # a shared circuit
        self.sound_s = 0.0
        self.log: list[tuple[int, float]] = []  # of each take: voices that sound, seconds

    def take(self, names: list[str], from_s: float, seconds: float) -> dict[str, AudioTake]:
        daemon = self._daemon
        begin_s = daemon.now_s + max(0.0, from_s - time.monotonic())
        listening = daemon.loaded.listening
        found = {}
        for name in dict.fromkeys(names):
            channels = [
                v.channel for v in daemon.voices.values() if listening[v.name].input == name
            ]
            samples = daemon.case.render(
                seconds, SAMPLE_RATE_HZ, start_s=begin_s, channels=channels
            ).astype(float)
            found[name] = AudioTake(
                self.bent(samples), float(SAMPLE_RATE_HZ), begin_s + seconds / 2.0
            )
        daemon.now_s = begin_s + seconds
        self.sound_s += seconds
        self.log.append((len(daemon.sounding), seconds))
        return found

    def device_of(self, name: str) -> str:
        return "virtual"

    def rate_hz(self, name: str) -> float:
        return float(SAMPLE_RATE_HZ)

    def close(self) -> None:
        pass


def virtual_session(
    rig: Path, case: VirtualCase, start_s: float = 3000.0
) -> tuple[MeasuringSession, VirtualDaemon]:
    """Return a session on a case, and its daemon, whose ``now_s`` counts."""
    loaded = load_rig(rig)
    daemon = VirtualDaemon(case, loaded, start_s)
    said = SimpleNamespace(lines=[])
    session = MeasuringSession(daemon, loaded, said.lines.append, yes=True)
    session.said = said.lines  # what was shown to the player
    session._audio = VirtualInputs(daemon)
    return session, daemon
