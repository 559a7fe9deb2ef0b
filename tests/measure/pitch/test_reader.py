"""The pitch reader on tones whose pitch is known (requirements A7 to A10, A12)."""

from __future__ import annotations

import numpy as np
import pytest

from kit import tones
from zerobeat.errors import TakeRefusedError, ZerobeatError
from zerobeat.measure.pitch.reader import REASONS, Pitch, estimate_pitch, full_scale_share

RATE = 48000


def cents(found_hz: float, true_hz: float) -> float:
    return 1200 * np.log2(found_hz / true_hz)


def take(hertz=220.0, seconds=0.5, shape="saw", snr_db=80.0, rate=RATE, seed=1, **options):
    """Return a tone peaking at 0.7 in white noise."""
    rng = np.random.default_rng(seed)
    wave = tones.tone(hertz, seconds, rate, shape, rng=rng, top_hz=18000.0, **options)
    wave = wave + 10 ** (-snr_db / 20) * tones.white(len(wave), rng)
    return 0.7 * wave / np.abs(wave).max()


def refusal(samples, rate=RATE, **options):
    with pytest.raises(TakeRefusedError) as caught:
        estimate_pitch(samples, rate, **options)
    assert str(caught.value).count("\n") == 0
    return caught.value.reason


# A10 asks for every semitone from 20 Hz to 4 kHz within 0.1 cent clean; a third of them here.
@pytest.mark.parametrize("shape", tones.SHAPES)
def test_a10_reads_every_shape_over_the_range(shape):
    for note in range(16, 108, 13):
        hertz = 440 * 2 ** ((note - 69 + 0.31) / 12)
        read = estimate_pitch(
            take(hertz, max(0.4, 14 / hertz), shape), RATE, expected_hz=1.15 * hertz
        )
        assert abs(cents(read.hertz, hertz)) < 0.03


@pytest.mark.parametrize("shape", ["sine", "triangle", "saw", "pulse5", "pulse50"])
def test_a10_thirty_decibels_of_noise_cost_less_than_half_a_cent(shape):
    for note in (20, 45, 70, 100):
        hertz = 440 * 2 ** ((note - 69) / 12)
        read = estimate_pitch(
            take(hertz, max(0.4, 14 / hertz), shape, 30.0), RATE, expected_hz=hertz
        )
        assert abs(cents(read.hertz, hertz)) < 0.5


@pytest.mark.parametrize("rate", [44100, 96000, 192000])
def test_a10_any_sample_rate_reads_alike(rate):
    read = estimate_pitch(take(311.7, rate=rate), rate, expected_hz=300.0)
    assert abs(cents(read.hertz, 311.7)) < 0.01


def test_a9_reads_the_lowest_note_and_says_when_a_take_is_too_short_for_it():
    assert abs(cents(estimate_pitch(take(16.35, 1.2), RATE, expected_hz=16.0).hertz, 16.35)) < 0.05
    assert refusal(take(16.35, 0.2), expected_hz=16.0) == "short"


def test_a9_dc_offset_changes_nothing():
    wave = take(98.0)
    plain = estimate_pitch(0.5 * wave, RATE).hertz
    assert abs(cents(estimate_pitch(0.5 * wave + 0.4, RATE).hertz, plain)) < 1e-4


def test_a9_reads_the_highest_note():
    assert abs(cents(estimate_pitch(take(8372.0, shape="sine"), RATE).hertz, 8372.0)) < 0.01


@pytest.mark.parametrize("shape", ["sine", "saw", "pulse12", "weak", "missing", "fm", "folded"])
def test_a8_finds_the_octave_without_being_told(shape):
    for seed, hertz in enumerate((41.0, 233.0, 1480.0)):
        read = estimate_pitch(take(hertz, 0.6, shape, snr_db=10.0, seed=seed), RATE)
        assert abs(cents(read.hertz, hertz)) < 5


@pytest.mark.parametrize("ratio", [0.5, 2.0, 1 / 3, 3.0])
def test_a8_refuses_a_tone_outside_the_half_octave_asked_for(ratio):
    assert refusal(take(220.0), expected_hz=220.0 / ratio) == "range"


def test_a8_refuses_a_tone_below_the_range():
    assert refusal(take(7.5, 2.0)) == "range"


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a8_hum_is_told_from_the_voice(mains_hz):
    rng = np.random.default_rng(4)
    wave = take(113.0, 0.8)
    hum = tones.hum(2 * len(wave), RATE, mains_hz * 1.0004, rng) * wave.std() * 10 ** (-8 / 20)
    quiet = hum[len(wave) :] + 1e-5 * tones.white(len(wave), rng)
    read = estimate_pitch(wave + hum[: len(wave)], RATE, expected_hz=110.0, background=quiet)
    assert abs(cents(read.hertz, 113.0)) < 0.03
    assert (
        refusal(hum[: len(wave)] + 1e-5 * tones.white(len(wave), rng), background=quiet) == "silent"
    )


def test_a7_full_scale_counts_in_runs_not_in_peaks():
    wave = np.zeros(1000)
    wave[::10] = 1.0
    assert full_scale_share(wave) == 0.0
    wave[100:150] = -1.0
    assert full_scale_share(wave) == pytest.approx(0.051, abs=0.002)


def test_a7_mild_clipping_is_read_and_overload_refused():
    wave = take(185.0, shape="sine") / 0.7
    assert abs(cents(estimate_pitch(np.clip(1.05 * wave, -1, 1), RATE).hertz, 185.0)) < 0.01
    assert refusal(np.clip(3 * wave, -1, 1)) == "overload"


def test_a7_level_is_reported_in_dbfs():
    time = np.arange(RATE) / RATE
    read = estimate_pitch(0.1 * np.sin(2 * np.pi * 440 * time) + 1e-6 * np.cos(time**2 * 9e3), RATE)
    assert read.level_dbfs == pytest.approx(
        -23.01, abs=0.01
    )  # -20 for the peak, -3.01 for a sine's rms


def test_silence_and_noise_are_refused_by_name():
    rng = np.random.default_rng(5)
    assert refusal(np.zeros(RATE // 2)) == "silent"
    assert refusal(1e-5 * tones.white(RATE // 2, rng)) == "silent"
    assert refusal(0.05 * tones.white(RATE // 2, rng)) == "noise"
    assert refusal(0.05 * tones.pink(RATE // 2, rng), expected_hz=100.0) == "noise"


@pytest.mark.parametrize("interval_cents", [30.0, 130.0, 440.0])
def test_two_oscillators_are_refused(interval_cents):
    wave = take(220.0, 0.8) + 0.5 * take(220.0 * 2 ** (interval_cents / 1200), 0.8, seed=2)
    assert refusal(0.6 * wave, expected_hz=220.0) == "two_pitches"


def test_a12_slow_drift_is_read_at_the_middle_and_reported():
    read = estimate_pitch(take(440.0, 1.0, drift_cents_per_s=12.0), RATE, expected_hz=440.0)
    assert abs(cents(read.hertz, 440.0)) < 0.01
    assert read.drift_cents_per_s == pytest.approx(12.0, abs=0.05)


@pytest.mark.parametrize("drift", [80.0, 600.0])
def test_a12_a_glide_is_refused(drift):
    assert refusal(take(440.0, 0.8, drift_cents_per_s=drift), expected_hz=440.0) in (
        "moving",
        "noise",
    )


def test_vibrato_widens_the_uncertainty():
    steady = estimate_pitch(take(330.0, 1.0), RATE, expected_hz=330.0)
    shaky = estimate_pitch(take(330.0, 1.0, vibrato_cents=2.0), RATE, expected_hz=330.0)
    assert shaky.sigma_cents > 20 * steady.sigma_cents
    assert abs(cents(shaky.hertz, 330.0)) < max(0.3, 3 * shaky.sigma_cents)


def test_stiff_struck_strings_read_their_first_partial():
    wave = take(130.0, 1.2, stiffness=3e-4, decay_per_s=2.0)
    read = estimate_pitch(wave, RATE, expected_hz=130.0)
    assert abs(cents(read.hertz, 130.0)) < 0.4
    assert read.stiffness == pytest.approx(3e-4, rel=0.1)


def test_a10_stated_uncertainty_is_true_and_near_the_bound():
    # 120 takes: two sigma hold 95 %, so 104 to 120 with 1 in 1,000 to be outside by chance.
    rng, inside, ratios = np.random.default_rng(7), 0, []
    for seed in range(120):
        hertz, noise = 110 * 2 ** rng.uniform(0, 3), 10 ** (-15 / 20)
        wave = tones.tone(hertz, 0.5, RATE, "saw", rng=np.random.default_rng(seed), top_hz=4000.0)
        bound = tones.cramer_rao_cents(wave, hertz, RATE, noise, 4000.0, "saw", rng)
        read = estimate_pitch(
            0.1 * (wave + noise * tones.white(len(wave), rng)), RATE, expected_hz=hertz
        )
        error = cents(read.hertz, hertz)
        inside += abs(error) < 2 * read.sigma_cents
        ratios.append(error / bound)
    assert 104 <= inside <= 120
    assert np.sqrt(np.mean(np.square(ratios))) < 1.3
    assert np.abs(ratios).max() < 4


def test_same_take_gives_the_same_reading():
    assert estimate_pitch(take(), RATE) == estimate_pitch(take(), RATE)
    assert isinstance(estimate_pitch(take(), RATE), Pitch)


def test_a_refusal_is_an_error_of_the_tree_with_a_known_reason():
    with pytest.raises(ZerobeatError, match="near 220.0 Hz: silent: nothing is sounding"):
        estimate_pitch(np.zeros(RATE), RATE, expected_hz=220.0)
    assert set(REASONS) >= {
        "silent",
        "noise",
        "overload",
        "moving",
        "two_pitches",
        "range",
        "disagree",
    }


def test_samples_that_are_no_take_are_named():
    with pytest.raises(ValueError, match="one channel"):
        estimate_pitch(np.zeros((100, 2)), RATE)
    with pytest.raises(ValueError, match="finite"):
        estimate_pitch(np.array([0.0, np.nan] * 500), RATE)
