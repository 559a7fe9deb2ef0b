"""Patches that read steadily wrong or swing, for follow: none of them may move a voice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zerobeat.render.virtual_evening import EVENING_RATE_HZ, PlainPatch
from zerobeat.sim.waveform import waveform_samples


def saw(cycles, highest_hz):
    return waveform_samples("sawtooth", cycles, highest_hz, EVENING_RATE_HZ)


@dataclass(frozen=True)
class Vibrato(PlainPatch):
    """A sine on the pitch: vibrato, slow FM, wow."""

    depth_cents: float = 10.0
    rate_hz: float = 5.0

    def cents(self, course):
        return self.depth_cents * np.sin(2 * np.pi * self.rate_hz * course.at_s)


@dataclass(frozen=True)
class WholeCents(PlainPatch):
    """An oscillator that takes whole cents only, and rounds down from ``place_cents``."""

    place_cents: float = 0.5

    def cents(self, course):
        return np.floor(course.cents + self.place_cents) - course.cents


@dataclass(frozen=True)
class Wow(PlainPatch):
    """A tape's wow: a few slow sines."""

    depth_cents: float = 4.0

    def cents(self, course):
        hertz = np.array([0.37, 0.55, 0.93, 1.61])
        waves = np.sin(2 * np.pi * np.multiply.outer(course.at_s, hertz) + hertz * 9)
        return self.depth_cents * waves.sum(axis=-1) / 2


@dataclass(frozen=True)
class PitchEnvelope(PlainPatch):
    """The pitch begins high and falls to where it should be."""

    depth_cents: float = 12.0
    fall_s: float = 0.4

    def cents(self, course):
        return self.depth_cents * np.exp(-np.maximum(course.since_s, 0) / self.fall_s)


@dataclass(frozen=True)
class Slew(PlainPatch):
    """An analogue slew between notes."""

    slew_s: float = 0.12

    def cents(self, course):
        return -course.interval_cents * np.exp(-np.maximum(course.since_s, 0) / self.slew_s)


@dataclass(frozen=True)
class PulseWidth(PlainPatch):
    """A pulse whose width a slow sine moves, or an envelope with ``envelope_s``."""

    depth: float = 0.3
    rate_hz: float = 0.7
    envelope_s: float = 0.0

    def sound(self, at_s, cycles, since_s, highest_hz):
        if self.envelope_s:
            width = 0.5 - self.depth * np.exp(-np.maximum(since_s, 0) / self.envelope_s)
        else:
            width = 0.5 + self.depth * np.sin(2 * np.pi * self.rate_hz * at_s)
        return (saw(cycles, highest_hz) - saw(cycles + width, highest_hz)) / 2


@dataclass(frozen=True)
class FilterEnvelope(PlainPatch):
    """Two poles whose corner falls after the onset: each harmonic's phase moves."""

    octaves: float = 5.0
    fall_s: float = 0.5
    base_hz: float = 300.0
    resonance: float = 2.0

    def sound(self, at_s, cycles, since_s, highest_hz):
        corner = self.base_hz * 2 ** (self.octaves * np.exp(-np.maximum(since_s, 0) / self.fall_s))
        hertz = np.gradient(cycles, at_s)
        wave = np.zeros(at_s.shape)
        for k in range(1, min(24, int(0.45 * EVENING_RATE_HZ / highest_hz)) + 1):
            u = k * hertz / corner
            answer = 1 / (1 - u**2 + 1j * u / self.resonance)
            wave += np.imag(answer * np.exp(2j * np.pi * k * cycles)) / k
        return wave / 2


@dataclass(frozen=True)
class Chorus(PlainPatch):
    """The voice and its copy through a delay that a sine moves."""

    depth_s: float = 0.002
    rate_hz: float = 0.6

    def sound(self, at_s, cycles, since_s, highest_hz):
        delay_s = 0.008 + self.depth_s * np.sin(2 * np.pi * self.rate_hz * at_s)
        hertz = np.gradient(cycles, at_s)
        return (saw(cycles, highest_hz) + saw(cycles - delay_s * hertz, highest_hz)) / 2


@dataclass(frozen=True)
class SecondOscillator(PlainPatch):
    """Another oscillator in the voice, some cents off."""

    off_cents: float = 3.0

    def sound(self, at_s, cycles, since_s, highest_hz):
        other = cycles * 2 ** (self.off_cents / 1200) + 0.3
        return (saw(cycles, highest_hz) + saw(other, highest_hz)) / 2


@dataclass(frozen=True)
class Locked(PlainPatch):
    """A slave that another oscillator holds in sync: it sounds that one's pitch, whatever it is
    sent, within half a semitone."""

    off_cents: float = 0.8

    def cents(self, course):
        return np.round(course.cents / 100) * 100 + self.off_cents - course.cents


class Silent(PlainPatch):
    """No cable."""

    def sound(self, at_s, cycles, since_s, highest_hz):
        return np.zeros(at_s.shape)
