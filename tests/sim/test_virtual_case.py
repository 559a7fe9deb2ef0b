"""The virtual case: bytes in, pitch and audio out."""

import dataclasses

import numpy as np
import parselmouth
import pytest
from scipy.signal import hilbert

from zerobeat.midi import NoteOff, NoteOn, PitchBend, encode
from zerobeat.sim.dac import DacModel
from zerobeat.sim.oscillator import Oscillator, OscillatorModel, WarmupCurve
from zerobeat.sim.resonator import StruckResonator
from zerobeat.sim.virtual_case import Mixer, Sound, VirtualCase
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter

RATE = 48_000
PERFECT = OscillatorModel(hertz_at_zero_volts=440.0 * 2 ** (-33 / 12)).ideal()  # key 36 at 0 V
FLAWED = OscillatorModel(
    hertz_at_zero_volts=440.0 * 2 ** (-33 / 12),
    octaves_per_volt=1.003,
    bulk_ohm=3.0,
    kink_below_volts=0.4,
    kink_slope=-0.05,
    wander_cents=0.5,
)
FLAWED_CONVERTER = ConverterModel(
    dac=DacModel(bits=12, inl_steps=6.0, gain_error=-0.001, output_ohm=1000.0)
)


def case(model=PERFECT, converter=ConverterModel(dac=DacModel(bits=None)), **kwargs):
    sounds = {0: kwargs.pop("sound", Sound())}
    return VirtualCase(
        VirtualConverter(converter), {0: Oscillator(model, seed=1)}, sounds, **kwargs
    )


def note(number, start_s, end_s, bend=0):
    return [
        (start_s, encode(PitchBend(0, bend)) + encode(NoteOn(0, number, 100))),
        (end_s, encode(NoteOff(0, number))),
    ]


def praat_hertz(samples, expected_hz):
    sound = parselmouth.Sound(samples.astype(float), RATE)
    pitch = sound.to_pitch_ac(
        pitch_floor=max(expected_hz * 0.7, 15.0),
        pitch_ceiling=expected_hz * 1.4,
        very_accurate=True,
    )
    found = pitch.selected_array["frequency"]
    return np.median(found[found > 0])


def test_a_perfect_case_sounds_what_is_written():
    unit = case()
    unit.play(note(69, 1.0, 2.0) + note(69, 3.0, 4.0, bend=4096))
    assert unit.hertz_of(0, 1.5) == pytest.approx(440.0, rel=1e-12)
    assert unit.pitch_of(0, 1.5) == pytest.approx(6900.0, abs=1e-9)
    assert unit.pitch_of(0, 3.5) == pytest.approx(7000.0, abs=1e-9)
    assert unit.pitch_of(0, 0.5) == pytest.approx(3600.0, abs=1e-9)  # before any note: 0 V


@pytest.mark.parametrize("shape", ["sawtooth", "pulse", "triangle", "sine"])
@pytest.mark.parametrize("number", [36, 48, 60, 72, 84, 96])
def test_praat_hears_the_pitch_that_is_stated(shape, number):
    steady = dataclasses.replace(FLAWED, wander_cents=0.0)
    unit = case(steady, FLAWED_CONVERTER, sound=Sound(waveform=shape, width=0.3))
    unit.play(note(number, 0.0, 3.0, bend=700))
    samples = unit.render(1.0, RATE, start_s=0.5)
    stated = unit.hertz_of(0, 1.0)
    assert samples.dtype == np.float32
    assert samples.shape == (RATE,)
    heard_cents = 1200 * np.log2(praat_hertz(samples, stated) / stated)
    assert abs(heard_cents) < 0.05


def test_praat_hears_a_struck_resonator_where_it_is_stated():
    unit = case(FLAWED, FLAWED_CONVERTER, sound=Sound(resonator=StruckResonator(inharmonicity=0.0)))
    unit.play(note(57, 0.2, 1.5))
    samples = unit.render(1.0, RATE, start_s=0.4)
    stated = np.exp(np.mean(np.log(unit.hertz_at(0, np.linspace(0.4, 1.4, 101)))))
    assert abs(1200 * np.log2(praat_hertz(samples, stated) / stated)) < 0.1


def test_phase_goes_on_through_a_change_of_pitch():
    unit = case(sound=Sound(waveform="sine", level=1.0, envelope=None))
    unit.play([(0.0, encode(NoteOn(0, 60, 1)))])
    rng = np.random.default_rng(0)
    times = np.sort(rng.uniform(0.0, 1.0, 200))
    unit.play([(at_s, encode(PitchBend(0, int(rng.integers(-8192, 8192))))) for at_s in times])
    samples = unit.render(1.0, RATE).astype(float)
    fastest = 2 * np.pi * 261.63 * 2 ** (2 / 12) / RATE
    assert np.max(np.abs(np.diff(samples))) <= fastest * 1.0001
    # The turns counted from the audio are the integral of the stated frequency.
    analytic = np.unwrap(np.angle(hilbert(samples)))
    turned = (analytic[-4801] - analytic[4800]) / (2 * np.pi)
    at_s = (np.arange(4800 * 20, (RATE - 4801) * 20) + 0.5) / (RATE * 20)
    assert turned == pytest.approx(np.sum(unit.hertz_at(0, at_s)) / (RATE * 20), abs=0.01)


def test_drone_is_heard_with_the_gate_low_and_a_voice_is_not():
    assert np.max(np.abs(case().render(0.2))) == 0.0
    assert np.max(np.abs(case(sound=Sound(envelope=None)).render(0.2))) > 0.1


def test_the_gate_opens_and_shuts_the_sound():
    unit = case()
    unit.play(note(60, 0.5, 1.0))
    samples = np.abs(unit.render(3.0))
    assert samples[: RATE // 2].max() == 0.0
    assert samples[RATE * 6 // 10 : RATE * 9 // 10].max() > 0.15
    assert samples[-RATE // 2 :].max() < 1e-6


def test_same_seed_same_sound():
    def render(seed):
        unit = case(
            FLAWED, FLAWED_CONVERTER, mixer=Mixer(hiss_level=0.01, hum_level=0.01), seed=seed
        )
        unit.play(note(60, 0.1, 0.4))
        return unit.render(0.5)

    assert (render(1) == render(1)).all()
    assert not (render(1) == render(2)).all()


def test_hiss_and_hum_are_as_loud_as_stated():
    hiss = case(mixer=Mixer(hiss_level=0.01)).render(2.0)
    assert np.std(hiss) == pytest.approx(0.01, rel=0.01)
    hum = case(mixer=Mixer(hum_level=0.01, mains_hz=60.0)).render(1.0)
    assert np.abs(np.fft.rfft(hum))[60] / (RATE / 2) == pytest.approx(0.01, rel=1e-3)


def test_asking_for_many_pitches_is_the_same_as_playing():
    unit = case(FLAWED, FLAWED_CONVERTER, warmup=WarmupCurve(293.0, 303.0, 600.0))
    notes, bends = np.meshgrid(np.arange(30, 100, 7), [-3000, 0, 41])
    asked = unit.pitches(0, notes, bends, 100.0, wander=True)
    assert asked.shape == notes.shape
    for index, number in np.ndenumerate(notes):
        fresh = case(FLAWED, FLAWED_CONVERTER, warmup=WarmupCurve(293.0, 303.0, 600.0))
        fresh.play(note(int(number), 99.0, 200.0, bend=int(bends[index])))
        assert asked[index] == pytest.approx(fresh.pitch_of(0, 100.0), abs=1e-9)


def test_channels_can_be_rendered_alone():
    unit = VirtualCase(
        VirtualConverter(),
        {0: Oscillator(PERFECT), 3: Oscillator(PERFECT)},
        {3: Sound(waveform="triangle")},
        mixer=Mixer(),
    )
    unit.play([(0.0, encode(NoteOn(0, 60, 1)) + encode(NoteOn(3, 67, 1)))])
    both = unit.render(0.5)
    parts = unit.render(0.5, channels=[0]) + unit.render(0.5, channels=[3])
    assert both == pytest.approx(parts, abs=1e-6)


def test_an_oscillator_that_stands_still_has_no_pitch():
    unit = case(OscillatorModel(leak_ampere=1e-6))
    assert unit.hertz_of(0, 0.0) == 0.0
    assert unit.pitch_of(0, 0.0) == -np.inf
    assert np.isfinite(unit.render(0.1)).all()
