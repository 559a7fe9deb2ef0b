"""The demo's case: reed, horn, glass and bass on the converter quad, and its phrase.

All figures are invented, within the data sheets of converters, matched pairs
and capacitors. ``random_case`` draws others for benches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .dac import DacModel
from .oscillator import Oscillator, OscillatorModel, WarmupCurve
from .resonator import StruckResonator
from .virtual_case import Sound, VirtualCase
from .virtual_converter import ConverterModel, VirtualConverter
from .waveform import Envelope

C2_HZ = 440.0 * 2.0 ** (-33 / 12)  # key 36, the zero-volt note of quad
BEAT_S = 0.625
SAMPLE_RATE_HZ = 48_000
PLAYED_S = 3000.0  # seconds since power-on: 50 minutes
MEASURED_S = 2400.0  # the case is warm, but still drifts a little


@dataclass(frozen=True, slots=True)
class Part:
    """A voice of the quartet: its channel, and the keys that it plays."""

    name: str
    channel: int
    lowest_key: int
    highest_key: int
    panel_octaves: int = 0


PARTS = (
    Part("reed", 0, 48, 83),
    Part("horn", 1, 36, 83),
    Part("glass", 2, 60, 107),
    # Its panel is an octave down, so that low notes stay clear of the kink near 0 V.
    Part("bass", 3, 24, 59, panel_octaves=-1),
)

# (voice, first beat, beats, key). Fifths and a unison, where beating is most audible.
PHRASE: tuple[tuple[str, float, float, int], ...] = (
    ("bass", 0, 4, 38),
    ("horn", 0, 4, 57),
    ("reed", 0, 2, 62),
    ("reed", 2, 2, 66),
    ("glass", 1, 2, 81),
    ("glass", 3, 2, 86),
    ("bass", 4, 4, 35),
    ("horn", 4, 4, 59),
    ("reed", 4, 4, 66),
    ("glass", 6, 2, 90),
    ("bass", 8, 4, 31),
    ("horn", 8, 4, 59),
    ("reed", 8, 2, 67),
    ("reed", 10, 2, 71),
    ("glass", 9, 3, 95),
    ("bass", 12, 4, 33),
    ("horn", 12, 4, 61),
    ("reed", 12, 4, 69),
    ("glass", 12, 4, 100),
    ("bass", 16, 4, 45),
    ("horn", 16, 4, 69),
    ("reed", 16, 4, 69),
    ("glass", 18, 2, 81),
    ("bass", 20, 5, 26),
    ("horn", 20, 5, 50),
    ("reed", 20, 5, 74),
    ("glass", 20, 5, 86),
)
PHRASE_S = 25 * BEAT_S
TAIL_S = 1.5


def quartet(seed: int = 0) -> VirtualCase:
    """Return the case of the demo at power-on."""
    rng = np.random.default_rng([seed, 0x9A])

    def about(value: float) -> float:
        return value * rng.uniform(0.85, 1.15)

    dacs = {
        channel: DacModel(
            inl_steps=about(10.0),
            gain_error=about(gain),
            offset_volts=about(offset),
            drift_volts_per_kelvin=10e-6,
            output_ohm=100.0,
            slew_s=0.0002,
        )
        for channel, gain, offset in (
            (0, -0.0004, 0.0009),
            (1, 0.0007, -0.0011),
            (2, -0.0001, 0.0004),
            (3, -0.0002, 0.0019),
        )
    }
    quad = VirtualConverter(ConverterModel(lowest_note=24, highest_note=108, dacs=dacs), seed)
    models = {
        0: OscillatorModel(
            C2_HZ,
            octaves_per_volt=1.0 + about(0.0045),
            offset_octaves=about(0.004),
            bulk_ohm=about(1.5),
            wander_cents=0.06,
        ),
        1: OscillatorModel(
            C2_HZ,
            octaves_per_volt=1.0 - about(0.004),
            offset_octaves=about(0.011),
            bulk_ohm=about(0.6),
            reset_s=about(2e-6),
            wander_cents=0.06,
        ),
        2: OscillatorModel(
            C2_HZ,
            octaves_per_volt=1.0 + about(0.002),
            offset_octaves=about(-0.005),
            bulk_ohm=about(2.0),
            reset_s=about(4e-6),
            wander_cents=0.06,
        ),
        3: OscillatorModel(
            C2_HZ / 2.0,
            octaves_per_volt=1.0 - about(0.006),
            offset_octaves=about(-0.006),
            leak_ampere=about(6e-10),
            kink_below_volts=-0.05,
            kink_slope=-0.08,
            erratic_cents=5.0,
            wander_cents=0.06,
        ),
    }
    sounds = {
        0: Sound("sawtooth", level=0.16, envelope=Envelope(0.03, 0.4, 0.8, 0.06)),
        1: Sound("pulse", 0.35, level=0.13, envelope=Envelope(0.06, 0.5, 0.85, 0.08)),
        2: Sound(level=0.5, resonator=StruckResonator(decay_s=1.4, inharmonicity=2e-5, partials=5)),
        3: Sound("triangle", level=0.3, envelope=Envelope(0.02, 0.6, 0.8, 0.08)),
    }
    oscillators = {
        channel: Oscillator(model, seed=16 * seed + channel) for channel, model in models.items()
    }
    return VirtualCase(
        quad, oscillators, sounds, warmup=WarmupCurve(291.0, 303.0, 600.0), seed=seed
    )


def random_case(seed: int, channels: int = 4) -> VirtualCase:
    """Return a case with flaws drawn at random, within what parts allow.

    Converters have 12 to 16 bits; oscillators are up to 12 cents an octave and
    60 cents off, up to 60 cents flat at 4 kHz, and some have leakage.
    """
    rng = np.random.default_rng([seed, 0xCA5E])
    bits = int(rng.choice((12, 14, 16)))
    dacs = {
        channel: DacModel(
            bits=bits,
            inl_steps=float(rng.uniform(0.0, 12.0) if bits > 12 else rng.uniform(0.0, 4.0)),
            gain_error=float(rng.normal(0.0, 0.002)),
            offset_volts=float(rng.normal(0.0, 0.003)),
            output_ohm=float(rng.choice((0.0, 100.0, 1000.0))),
        )
        for channel in range(channels)
    }
    oscillators = {}
    for channel in range(channels):
        model = OscillatorModel(
            C2_HZ,
            octaves_per_volt=1.0 + float(rng.uniform(-0.01, 0.01)),
            offset_octaves=float(rng.uniform(-0.05, 0.05)),
            bulk_ohm=float(rng.uniform(0.0, 3.0)),
            reset_s=float(rng.uniform(0.0, 6e-6)),
            compensation_ohm=float(rng.choice((0.0, 570.0))),
            leak_ampere=float(10.0 ** rng.uniform(-12.0, -9.5)),
            wander_cents=0.0,
        )
        oscillators[channel] = Oscillator(model, seed=16 * seed + channel)
    return VirtualCase(VirtualConverter(ConverterModel(dacs=dacs), seed), oscillators, seed=seed)
