"""A virtual case: one converter, an oscillator on each channel, and a mixer.

It takes MIDI bytes with times and gives the pitch of each voice, exactly or as
audio. Nothing in it reads a clock: the same seed, bytes and times give the same
sound, on any machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .oscillator import Oscillator, WarmupCurve
from .resonator import StruckResonator
from .virtual_converter import VirtualConverter
from .waveform import HIGHEST_OF_RATE, Envelope, Waveform, waveform_samples

Floats = NDArray[np.float64]
_CONTROL_S = 0.001  # the pitch is constant for so long
_KEY_0_HZ = 440.0 * 2.0 ** (-69 / 12)


@dataclass(frozen=True, slots=True)
class Sound:
    """An oscillator's waveform, level and envelope."""

    waveform: Waveform = "sawtooth"
    width: float = 0.5  # of a pulse
    level: float = 0.2  # full scale is 1; voices are added, so leave room
    envelope: Envelope | None = Envelope()  # None: a drone, audible with the gate closed
    resonator: StruckResonator | None = None  # a resonator instead of waveform and envelope


@dataclass(frozen=True, slots=True)
class Mixer:
    """Noise and hum in the mix."""

    hiss_level: float = 0.0  # root mean square of white noise, full scale 1
    hum_level: float = 0.0  # peak of the mains tone, and a third of it an octave up
    mains_hz: float = 50.0


class VirtualCase:
    """A converter with oscillators on its channels.

    Args:
        converter: the interface that takes the bytes.
        oscillators: by channel, 0 to 15.
        sounds: by channel; a channel without one has ``Sound()``.
        warmup: the temperature of the whole case over time.
        mixer: hiss and hum.
        seed: of hiss and initial phases. Oscillators have their own.
    """

    def __init__(
        self,
        converter: VirtualConverter,
        oscillators: Mapping[int, Oscillator],
        sounds: Mapping[int, Sound] | None = None,
        *,
        warmup: WarmupCurve = WarmupCurve(),
        mixer: Mixer = Mixer(),
        seed: int = 0,
    ) -> None:
        self.converter = converter
        self.oscillators = dict(oscillators)
        self.sounds = {channel: Sound() for channel in oscillators} | dict(sounds or {})
        self.warmup = warmup
        self.mixer = mixer
        self.seed = seed

    def play(self, events: Iterable[tuple[float, bytes]]) -> None:
        """Send bytes to the converter; times rise, in seconds since power-on."""
        for at_s, content in events:
            self.converter.receive(content, at_s)

    # -------------------------------------------------------------- pitch

    def pitch_of(self, channel: int, at_s: float) -> float:
        """Return the sounding pitch at a time, cents above key 0 with A at 440 Hz.

        Exact, random wander included; ``-inf`` where the oscillator has stopped.
        The gate plays no part.
        """
        return float(hertz_to_pitches(self.hertz_at(channel, at_s)))

    def hertz_of(self, channel: int, at_s: float) -> float:
        """Return the sounding frequency at a time; 0.0 where the oscillator has stopped."""
        return float(self.hertz_at(channel, at_s))

    def hertz_at(self, channel: int, at_s: ArrayLike) -> Floats:
        """Return the frequency at each time, shape as ``at_s``."""
        times = np.asarray(at_s, float)
        kelvin = self.warmup.kelvin(times)
        volts = self.converter.volts_at(channel, times, kelvin)
        return self.oscillators[channel].hertz(volts, kelvin, times)

    def pitches(
        self,
        channel: int,
        notes: ArrayLike,
        bends: ArrayLike = 0,
        at_s: float = 0.0,
        *,
        wander: bool = False,
        range_cents: float | None = None,
    ) -> Floats:
        """Return the pitch of many (note, bend) at one moment, without playing them.

        Args:
            channel: the converter channel.
            notes: MIDI keys, any shape.
            bends: signed bends, broadcast against ``notes``.
            at_s: for the temperature, and the wander if asked for.
            wander: whether random wander is included.
            range_cents: bend range; None is the one in force.

        Returns:
            Cents above key 0, of the broadcast shape; ``-inf`` for silence.
        """
        kelvin = self.warmup.kelvin(at_s)
        volts = self.converter.settled_volts(channel, notes, bends, kelvin, range_cents)
        moment = at_s if wander else None
        return hertz_to_pitches(self.oscillators[channel].hertz(volts, kelvin, moment))

    # -------------------------------------------------------------- audio

    def render(
        self,
        duration_s: float,
        sample_rate_hz: int = 48_000,
        *,
        start_s: float = 0.0,
        channels: Iterable[int] | None = None,
    ) -> NDArray[np.float32]:
        """Return the mix, shape (n,), full scale 1, not clipped.

        Args:
            duration_s: n is this times the rate, rounded.
            sample_rate_hz: of the recording.
            start_s: time of the first sample. The phases at it are drawn by the
                seed, so consecutive renders are not continuous.
            channels: which voices; None is all.
        """
        count = round(duration_s * sample_rate_hz)
        at_s = start_s + np.arange(count) / sample_rate_hz
        mix = np.zeros(count)
        for channel in sorted(self.oscillators) if channels is None else channels:
            mix += self._voice(channel, at_s, sample_rate_hz)
        return (mix + self._noise(at_s)).astype(np.float32)

    def _voice(self, channel: int, at_s: Floats, rate_hz: int) -> Floats:
        sound = self.sounds[channel]
        if at_s.size == 0:
            return np.zeros(0)
        edges, hertz = self._course(channel, at_s[0], at_s[-1] + 1.0 / rate_hz)
        first = np.random.default_rng([self.seed, channel, 0xF1]).uniform()
        cycles = first + np.concatenate([[0.0], np.cumsum(hertz * np.diff(edges))])
        phase = np.interp(at_s, edges, cycles)
        changes = self.converter.changes(channel)
        if sound.resonator is not None:
            counts = [0, *(change.strikes for change in changes)]
            strikes_s = [
                c.at_s for c, before in zip(changes, counts, strict=False) if c.strikes > before
            ]
            return sound.level * sound.resonator.ring(
                phase, HIGHEST_OF_RATE * rate_hz, strikes_s, at_s
            )
        wave = self._wave(sound, channel, phase, at_s, edges, hertz, rate_hz)
        if sound.envelope is not None:
            gates = [(c.at_s, c.gate, c.strikes) for c in changes]
            wave = wave * sound.envelope.levels(gates, at_s)
        return sound.level * wave

    def _course(self, channel: int, start_s: float, end_s: float) -> tuple[Floats, Floats]:
        """Return times, shape (n + 1,), and the frequency between them, shape (n,).

        Every change is at one of the times, so the frequency in the middle of an
        interval represents it.
        """
        grid = np.linspace(start_s, end_s, 2 + int((end_s - start_s) / _CONTROL_S))
        moments = self._change_times(channel, start_s, end_s)
        edges = np.union1d(grid, moments)
        return edges, self.hertz_at(channel, (edges[:-1] + edges[1:]) / 2.0)

    def _change_times(self, channel: int, start_s: float, end_s: float) -> Floats:
        times = np.array([change.at_s for change in self.converter.changes(channel)])
        return times[(times > start_s) & (times < end_s)]

    def _wave(
        self,
        sound: Sound,
        channel: int,
        phase: Floats,
        at_s: Floats,
        edges: Floats,
        hertz: Floats,
        rate_hz: int,
    ) -> Floats:
        """Return the waveform, its harmonics limited anew at each change of pitch."""
        if sound.waveform == "sine":
            return waveform_samples("sine", phase, 0.0, rate_hz)
        moments = self._change_times(channel, edges[0], edges[-1])
        starts = np.concatenate([[0], np.searchsorted(edges, moments)])
        highest = np.maximum.reduceat(hertz, starts)
        borders = np.concatenate([[0], np.searchsorted(at_s, moments), [at_s.size]])
        wave = np.empty(at_s.shape)
        for index, top in enumerate(highest):
            part = slice(borders[index], borders[index + 1])
            wave[part] = waveform_samples(sound.waveform, phase[part], top, rate_hz, sound.width)
        return wave

    def _noise(self, at_s: Floats) -> Floats:
        mixer = self.mixer
        noise = np.zeros(at_s.shape)
        if mixer.hiss_level:
            rng = np.random.default_rng([self.seed, 0x415])
            noise += mixer.hiss_level * rng.standard_normal(at_s.shape)
        if mixer.hum_level:
            turns = 2.0 * np.pi * mixer.mains_hz * at_s
            noise += mixer.hum_level * (np.sin(turns) + np.sin(2.0 * turns) / 3.0)
        return noise


def hertz_to_pitches(hertz: ArrayLike) -> Floats:
    """Return cents above key 0 of frequencies, any shape; ``-inf`` for 0 Hz."""
    with np.errstate(divide="ignore"):
        return 1200.0 * np.log2(np.asarray(hertz, float) / _KEY_0_HZ)
