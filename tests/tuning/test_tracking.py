"""Tracking curves: slopes, inverse, pooling, unusable stretches, composition.

References: SciPy's PchipInterpolator and brentq; the NAG e01bec example;
tests/data/published.json.
"""

import itertools
import math
import pickle

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from kit.published_figures import published
from zerobeat.errors import TrackingError
from zerobeat.tuning.readings import TYPED_SPREAD_CENTS
from zerobeat.tuning.tracking import (
    Reading,
    TrackingCurve,
    Unusable,
    compose,
    pchip_slopes,
)


@st.composite
def tables(draw, least=3):
    """Rising tables, from nearly flat to steep, knots near and far."""
    n = draw(st.integers(least, 24))
    widths = draw(st.lists(st.floats(2.0, 1500.0), min_size=n, max_size=n))
    slopes = draw(st.lists(st.floats(0.05, 4.0), min_size=n, max_size=n))
    start = draw(st.floats(0.0, 4000.0))
    x = start + np.cumsum([0.0, *widths[1:]])
    y = start + draw(st.floats(-300.0, 300.0))
    y = y + np.cumsum([0.0, *(w * s for w, s in zip(widths[1:], slopes[1:], strict=True))])
    return tuple(map(float, x)), tuple(map(float, y))


# A usual voice: straight, a little stretched, a little bent, some noise.
@st.composite
def voices(draw):
    step = draw(st.sampled_from([100.0, 300.0, 500.0, 1200.0]))
    x = np.arange(2400.0, 9600.0, step)
    u = (x - 6000.0) / 1200.0
    noise = draw(st.lists(st.floats(-2.0, 2.0), min_size=len(x), max_size=len(x)))
    error = draw(st.floats(-60.0, 60.0)) + draw(st.floats(-15.0, 15.0)) * u
    error = error - draw(st.floats(0.0, 3.0)) * 2.0**u + np.array(noise)
    return TrackingCurve(tuple(map(float, x)), tuple(map(float, x + error)))


# ------------------------------------------------------------ the curve


@given(tables())
def test_slopes_and_values_agree_with_scipy(table):
    x, y = table
    curve = TrackingCurve(x, y)
    other = PchipInterpolator(x, y)
    assert curve.slopes == pytest.approx(other.derivative()(x), rel=1e-9, abs=1e-9)
    between = np.linspace(x[0], x[-1], 101)
    heard = [curve.sounding(float(at)) for at in between]
    assert heard == pytest.approx(other(between), abs=1e-6)


@given(st.lists(st.floats(-9.0, 9.0), min_size=3, max_size=12))
def test_slopes_agree_with_scipy_where_nothing_rises(y):
    x = tuple(float(i * i + i) for i in range(len(y)))
    if any(0.0 < abs(b - a) < 1e-6 for a, b in itertools.pairwise(y)):
        return  # SciPy divides by such differences and overflows
    assert pchip_slopes(x, y) == pytest.approx(PchipInterpolator(x, y).derivative()(x), abs=1e-9)


# NAG C library, e01bec: a table that hardly rises at its ends; printed to four digits.
def test_values_match_the_published_example():
    example = published("numerics/pchip_published")
    x, y = zip(*example["data"], strict=True)
    curve = TrackingCurve(tuple(x), tuple(y))
    for at, printed in example["result"]:
        if float(at) < x[-1]:
            assert curve.sounding(float(at)) == pytest.approx(float(printed), abs=5.01e-5)


# Slopes after Fritsch and Butland 1984, computed in octaves against volts.
def test_a_worked_table_and_its_inverse():
    table = published("numerics/pchip")
    x = tuple(1200.0 * volts for volts in table["x_volts"])
    y = tuple(1200.0 * octaves for octaves in table["y_octaves"])
    curve = TrackingCurve(x, y)
    assert curve.slopes == pytest.approx(table["slopes"], rel=5e-12)
    for volts, octaves in table["values"]:
        assert curve.sounding(1200.0 * volts) / 1200.0 == pytest.approx(octaves, rel=5e-12)
    for octaves, volts in table["inverse"]:
        assert curve.commanded(1200.0 * octaves) / 1200.0 == pytest.approx(volts, rel=5e-12)


def test_a_table_that_falls_has_no_inverse():
    table = published("numerics/pchip_not_monotone")
    assert pchip_slopes(table["x"], table["y"]) == pytest.approx(table["slopes"], abs=5e-12)
    with pytest.raises(TrackingError, match="found 1.00 sounding at 1.00 before 2.00 at 0.80"):
        TrackingCurve(tuple(table["x"]), tuple(table["y"]))


@given(tables(), st.lists(st.floats(0.0, 1.0), min_size=10, max_size=10))
def test_the_inverse_agrees_with_a_bracketing_solver(table, parts):
    x, y = table
    curve = TrackingCurve(x, y)
    other = PchipInterpolator(x, y)
    for part in parts:
        target = y[0] + part * (y[-1] - y[0])
        sent = curve.commanded(target)
        assert x[0] - 1e-6 <= sent <= x[-1] + 1e-6
        if not y[0] < target < y[-1]:
            continue
        root = brentq(lambda at: float(other(at)) - target, x[0], x[-1], xtol=1e-9)
        # Where the curve is flat a root is only as sure as the last digit of y.
        slope = max(float(other.derivative()(root)), 1e-9)
        assert sent == pytest.approx(root, abs=0.001 + 1e-10 / slope)
        assert curve.sounding(sent) == pytest.approx(target, abs=1e-4)


@given(voices(), st.floats(1200.0, 11000.0))
def test_the_inverse_of_a_usual_voice_is_within_a_thousandth(curve, target):
    sent = curve.commanded(target)
    root = brentq(lambda at: curve.sounding(at) - target, 0.0, 13000.0, xtol=1e-9)
    assert sent == pytest.approx(root, abs=1e-5)
    assert curve.sounding(sent) == pytest.approx(target, abs=1e-6)


def test_the_inverse_survives_slope_zero_at_an_end():
    # SciPy's end rule gives slope 0 here: the curve starts level.
    x, y = (0.0, 100.0, 200.0), (0.0, 10.0, 400.0)
    curve = TrackingCurve(x, y)
    assert curve.slopes[0] == 0.0
    for target in np.linspace(0.0, 400.0, 4001):
        root = brentq(lambda at: curve.sounding(at) - target, -1.0, 201.0, xtol=1e-10)
        assert curve.commanded(float(target)) == pytest.approx(root, abs=0.001)


@given(voices(), st.lists(st.floats(0.0, 13000.0), min_size=2, max_size=20))
def test_a_curve_and_its_inverse_rise(curve, pitches):
    pitches = sorted(set(pitches))
    for follow in (curve.sounding, curve.commanded):
        heard = [follow(pitch) for pitch in pitches]
        assert all(b >= a - 1e-6 for a, b in itertools.pairwise(heard))


def test_a_knot_is_met_from_both_sides():
    curve = TrackingCurve((3600.0, 4800.0, 6000.0), (3590.0, 4805.0, 6030.0))
    for x, y in zip(curve.knots_cents, curve.sounding_cents, strict=True):
        assert curve.sounding(x) == y
        assert curve.commanded(y) == x
        for hair in (-1e-9, 1e-9):
            assert curve.commanded(y + hair) == pytest.approx(x, abs=1e-6)


# A public mailing list on synthesizer building, 2006: volts and hertz of two oscillators.
# Every second row is left out of the curve and used to check it.
@pytest.mark.parametrize(("name", "within_cents"), [("A", 3.0), ("B", 1.5)])
def test_a_real_oscillator_is_in_tune_between_its_readings(name, within_cents):
    rows = published("analogue/measured")[name]
    pitches = [(6000.0 + 1200.0 * v, 1200.0 * math.log2(hz)) for v, hz in rows]
    base = pitches[0][1] - pitches[0][0]
    pitches = [(x, y - base) for x, y in pitches]
    taught = [*pitches[::2], pitches[-1]]
    curve = TrackingCurve(*map(tuple, zip(*taught, strict=True)))
    for x, y in pitches[1:-1:2]:
        assert curve.commanded(y) == pytest.approx(x, abs=within_cents)


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ((), ()),
        ((1.0,), (1.0, 2.0)),
        ((math.nan,), (1.0,)),
        ((1.0, 1.0), (1.0, 2.0)),
        ((1.0, 2.0), (2.0, 2.0)),
        ((2.0, 1.0), (1.0, 2.0)),
        ((1.0,), (math.inf,)),
    ],
)
def test_a_curve_refuses_what_it_cannot_invert(x, y):
    with pytest.raises(TrackingError, match="tracking curve: found .*; allowed: "):
        TrackingCurve(x, y)


def test_a_curve_is_a_value():
    curve = TrackingCurve((0.0, 1.0), (0.0, 2.0))
    assert curve == TrackingCurve((0.0, 1.0), (0.0, 2.0))
    assert hash(curve) == hash(TrackingCurve((0.0, 1.0), (0.0, 2.0)))
    assert pickle.loads(pickle.dumps(curve)) == curve
    with pytest.raises(AttributeError):
        curve.knots_cents = ()


# ------------------------------------------------------------ beyond the readings


def test_one_reading_is_an_offset():
    curve = TrackingCurve.from_readings([Reading(6000.0, 12.0, 0.1)])
    for pitch in (0.0, 6000.0, 12700.0):
        assert curve.sounding(pitch) == pytest.approx(pitch + 12.0)
        assert curve.commanded(pitch) == pytest.approx(pitch - 12.0)
        assert curve.extrapolated(pitch) == (pitch != 6000.0)


def test_two_readings_are_a_line():
    curve = TrackingCurve.from_readings([Reading(3600.0, 0.0, 0.1), Reading(6000.0, 20.0, 0.1)])
    for octaves in range(-2, 6):
        pitch = 3600.0 + 1200.0 * octaves
        assert curve.sounding(pitch) == pytest.approx(pitch + 10.0 * octaves)
        assert curve.commanded(pitch + 10.0 * octaves) == pytest.approx(pitch)


def test_a_curve_goes_on_along_its_end_slopes():
    x = (3600.0, 4800.0, 6000.0, 7200.0)
    curve = TrackingCurve(x, (3600.0, 4806.0, 6010.0, 7205.0))
    for end, slope, away in ((0, curve.slopes[0], -700.0), (-1, curve.slopes[-1], 700.0)):
        heard = curve.sounding(x[end] + away)
        assert heard == pytest.approx(curve.sounding_cents[end] + slope * away)
        assert curve.commanded(heard) == pytest.approx(x[end] + away)
    assert [curve.extrapolated(at) for at in (3599.9, 3600.0, 7200.0, 7200.1)] == [
        True,
        False,
        False,
        True,
    ]


def test_a_wild_end_slope_is_not_carried_on():
    # The bottom of a range, where the voice dies: level, then steep.
    curve = TrackingCurve((0.0, 100.0, 200.0, 1400.0), (0.0, 10.0, 400.0, 1400.0))
    assert curve.slopes[0] == 0.0
    assert curve.sounding(-100.0) == pytest.approx(-80.0)
    assert curve.commanded(-80.0) == pytest.approx(-100.0)


# ------------------------------------------------------------ pooling


def test_readings_of_a_note_are_pooled_by_their_uncertainties():
    curve = TrackingCurve.from_readings(
        [
            Reading(6000.0, 1.0, 0.1),
            Reading(3600.0, 5.0, 0.1),
            Reading(6000.0, 2.0, 0.2),
            Reading(6000.3, 1.2, 0.1),
        ]
    )
    weights = np.array([100.0, 25.0, 100.0])
    x = np.average([6000.0, 6000.0, 6000.3], weights=weights)
    error = np.average([1.0, 2.0, 1.2], weights=weights)
    assert curve.knots_cents == pytest.approx((3600.0, x))
    assert curve.sounding_cents == pytest.approx((3605.0, x + error))
    # Birge ratio: sqrt(chi squared / (n - 1)) widens what the readings claim.
    chi = np.sum(weights * (np.array([1.0, 2.0, 1.2]) - error) ** 2)
    assert curve.sigmas_cents == pytest.approx((0.1, math.sqrt(chi / 2.0 / 225.0)))


def test_pooling_does_not_mind_the_order():
    readings = [Reading(100.0 * n, 0.3 * n % 7, 0.1 + n % 3) for n in range(36, 96, 3)] * 2
    assert TrackingCurve.from_readings(readings) == TrackingCurve.from_readings(readings[::-1])


def test_a_reading_without_uncertainty_does_not_divide_by_zero():
    curve = TrackingCurve.from_readings([Reading(6000.0, 1.0, 0.0), Reading(6000.0, 1.0, 0.0)])
    assert curve.sounding(6000.0) == pytest.approx(6001.0)


@pytest.mark.parametrize(
    "reading",
    [Reading(math.nan, 0.0, 0.1), Reading(0.0, math.inf, 0.1), Reading(0.0, 0.0, -0.1)],
)
def test_readings_that_are_no_numbers_are_refused(reading):
    with pytest.raises(TrackingError, match="reading: found pitch .*; allowed: finite numbers"):
        TrackingCurve.from_readings([reading])
    with pytest.raises(TrackingError, match="readings: found 0; allowed: 1 to"):
        TrackingCurve.from_readings([])


# ------------------------------------------------------------ unusable stretches


def readings_of(error, notes=range(24, 97, 6), sigma=0.1):
    return [Reading(100.0 * n, float(error(n)), sigma) for n in notes]


def test_a_sound_voice_has_nothing_unusable():
    curve = TrackingCurve.from_readings(readings_of(lambda n: 0.2 * (n - 60)))
    assert curve.unusable == ()
    assert curve.describe(36) == []
    assert curve.unusable_at(6000.0) is None


def test_a_voice_that_dies_low_is_named_by_notes_and_volts():
    # Below 42 the oscillator sticks at the pitch of 42 (and shakes a little).
    def stuck(n):
        return 4200.0 - 100.0 * n + (n % 4) * 0.1 if n < 42 else 0.0

    curve = TrackingCurve.from_readings(readings_of(stuck), bend_range_cents=200.0)
    assert curve.knots_cents[0] == 4200.0
    assert curve.sounding(4200.0) == pytest.approx(4200.0)
    assert curve.describe(36) == [
        "C1 (24) to F#2 (42), -1.00 V to +0.50 V: pitch does not rise with the note"
    ]
    assert curve.describe(36, middle_c_octave=3)[0].startswith("C0 (24) to F#1 (42)")
    assert curve.unusable_at(3000.0) is curve.unusable[0]
    assert curve.unusable_at(4300.0) is None
    assert curve.extrapolated(3000.0)


def test_a_voice_that_stops_high_is_named_too():
    curve = TrackingCurve.from_readings(readings_of(lambda n: -150.0 * (n - 84) if n > 84 else 0.0))
    assert curve.knots_cents[-1] == 8400.0
    assert curve.unusable == (Unusable(8400.0, 9600.0, "pitch does not rise with the note"),)


def test_one_wrong_reading_does_not_bend_the_curve():
    wrong = TrackingCurve.from_readings(readings_of(lambda n: 1900.0 if n == 60 else 2.0))
    right = TrackingCurve.from_readings(
        readings_of(lambda n: 2.0, [n for n in range(24, 97, 6) if n != 60])
    )
    assert wrong.knots_cents == right.knots_cents
    assert wrong.commanded(6000.0) == pytest.approx(5998.0)
    assert wrong.describe(36) == [
        "F#3 (54) to F#4 (66), +1.50 V to +2.50 V: pitch does not rise with the note"
    ]


def test_readings_that_scatter_are_named():
    readings = readings_of(lambda n: 0.0)
    readings += [Reading(6000.0, 9.0, 0.1), Reading(7200.0, 0.9, 0.1), Reading(8400.0, 9.0, 5.0)]
    curve = TrackingCurve.from_readings(readings)
    # 0.9 cents apart is good enough, 9 cents at 5 cents' uncertainty is no surprise.
    assert curve.describe(36) == [
        "A3 (57) to D#4 (63), +1.75 V to +2.25 V: readings scatter by 9.0 cents"
    ]


def test_a_correction_beyond_the_bend_range_is_named():
    curve = TrackingCurve.from_readings(
        readings_of(lambda n: 10.0 * (n - 60)), bend_range_cents=200.0
    )
    low, high = curve.unusable
    assert (low.lowest_cents, high.highest_cents) == (2400.0, 9600.0)
    assert low.highest_cents == pytest.approx(3900.0)
    assert high.lowest_cents == pytest.approx(8100.0)
    assert curve.describe(36)[1].endswith(
        "+360 cents off, more than the bend range of 200 corrects"
    )
    wide = TrackingCurve.from_readings(
        readings_of(lambda n: 10.0 * (n - 60)), bend_range_cents=1200.0
    )
    assert wide.unusable == ()


def test_several_faults_are_listed_from_low_to_high():
    readings = readings_of(lambda n: 300.0 if n > 90 else 1900.0 if n == 60 else 0.0)
    readings.append(Reading(3000.0, 40.0, 0.1))
    curve = TrackingCurve.from_readings(readings)
    lows = [part.lowest_cents for part in curve.unusable]
    assert lows == sorted(lows)
    assert [part.reason.split()[0] for part in curve.unusable] == ["readings", "pitch", "+300"]


def test_a_voice_that_never_rises_is_refused():
    with pytest.raises(TrackingError, match="found 13 notes and no two .* check the cable"):
        TrackingCurve.from_readings(readings_of(lambda n: -100.0 * n))


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 127), st.floats(-3000.0, 3000.0)), min_size=1))
@example([(0, 238.0), (100, 475.0), (105, 0.0), (105, 0.0), (105, 0.0)])
def test_any_readings_give_a_rising_curve_or_one_line(pairs):
    try:
        curve = TrackingCurve.from_readings([Reading(100.0 * n, e, 0.1) for n, e in pairs])
    except TrackingError as error:
        assert "\n" not in str(error)
        return
    for part in curve.unusable:
        assert part.lowest_cents <= part.highest_cents
    notes = {100.0 * n for n, _ in pairs}
    left_out = notes - {round(x, 6) for x in curve.knots_cents}
    assert all(curve.unusable_at(x) is not None for x in left_out)


# ------------------------------------------------------------ composition


@given(voices(), voices(), st.floats(1200.0, 11000.0))
def test_composition_is_one_curve_after_the_other(converter, oscillator, pitch):
    both = compose(converter, oscillator)
    heard = both.sounding(pitch)
    assert heard == oscillator.sounding(converter.sounding(pitch))
    assert both.commanded(heard) == pytest.approx(pitch, abs=1e-4)
    root = brentq(lambda at: both.sounding(at) - pitch, -3000.0, 16000.0, xtol=1e-9)
    assert both.commanded(pitch) == pytest.approx(root, abs=1e-4)
    for x, y in zip(both.knots_cents, both.sounding_cents, strict=True):
        assert both.sounding(x) == pytest.approx(y, abs=1e-6)


def test_composition_keeps_what_is_unusable_and_extrapolated():
    converter = TrackingCurve((3600.0, 8400.0), (3700.0, 8500.0), (Unusable(3600.0, 3700.0, "a"),))
    oscillator = TrackingCurve((4800.0, 7200.0), (4800.0, 7210.0), (Unusable(7000.0, 7200.0, "b"),))
    both = compose(converter, oscillator)
    assert isinstance(both, TrackingCurve)
    assert both.unusable == (Unusable(3600.0, 3700.0, "a"), Unusable(6900.0, 7100.0, "b"))
    assert [both.extrapolated(x) for x in (4699.0, 4701.0, 7099.0, 7101.0)] == [
        True,
        False,
        False,
        True,
    ]


@given(voices(), st.floats(-2400.0, 2400.0), st.floats(0.0, 12700.0))
def test_shifted_sounds_higher_everywhere(curve, cents, pitch):
    for one in (curve, compose(curve, curve)):
        moved = one.shifted(cents)
        assert moved.sounding(pitch) == pytest.approx(one.sounding(pitch) + cents, abs=1e-6)
        assert moved.commanded(pitch + cents) == pytest.approx(one.commanded(pitch), abs=1e-4)


@pytest.mark.parametrize("place", range(4))
def test_a_note_whose_readings_scatter_spoils_half_the_way_to_its_neighbours(place):
    pitches = (3600.0, 4600.0, 5600.0, 6600.0)
    readings = [Reading(pitch, 0.0, 0.1) for pitch in pitches]
    readings.append(Reading(pitches[place], 9.0, 0.1))
    spoilt = [
        part
        for part in TrackingCurve.from_readings(readings).unusable
        if part.reason.startswith("readings scatter")
    ]
    low = 3600.0 if place == 0 else pitches[place] - 500.0
    high = 6600.0 if place == 3 else pitches[place] + 500.0
    assert [(part.lowest_cents, part.highest_cents) for part in spoilt] == [(low, high)]


def test_a_correction_may_be_as_large_as_the_usual_bend_range():
    """200 cents, where the converter's range is not given."""
    for cents, spoilt in ((199.9, False), (200.6, True)):
        readings = [Reading(100.0 * note, cents, 0.01) for note in (36, 60, 84)]
        found = TrackingCurve.from_readings(readings).unusable
        assert bool(found) is spoilt


@pytest.mark.parametrize(("apart_cents", "knots"), [(0.9, 2), (1.5, 3)])
def test_readings_within_a_cent_are_of_one_note(apart_cents, knots):
    readings = [Reading(6000.0, 1.0, 0.1), Reading(6000.0 + apart_cents, 1.0, 0.1)]
    curve = TrackingCurve.from_readings([*readings, Reading(7200.0, 1.0, 0.1)])
    assert len(curve.knots_cents) == knots


def test_a_typed_reading_that_states_no_spread_is_known_to_half_a_cent():
    assert TYPED_SPREAD_CENTS == 0.5
