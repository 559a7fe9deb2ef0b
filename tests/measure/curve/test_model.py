"""The model against published oscillator measurements and against SciPy."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import curve_fit, least_squares

from zerobeat.calibration.warmup import WarmupWatch, fit_exponential
from zerobeat.measure.curve.model import Model, ModelTerms, Points
from zerobeat.measure.curve.run_readings import doubtful

# Volts and hertz of two oscillators, posted to a public mailing list on synthesizer
# building, 2006.
VOLTS_A = np.array([-1.0006, -0.0033, 0.9941, 1.9916, 2.9888, 3.9863, 4.9837, 5.9820])
HERTZ_A = np.array([14.641, 29.638, 59.627, 119.710, 239.970, 480.530, 960.140, 1911.000])
VOLTS_B = np.array([-1.0007, -0.0034, 0.9940, 1.9915, 2.9887, 3.9862, 4.9837, 5.9820])
HERTZ_B = np.array([14.965, 29.958, 59.954, 119.96, 239.89, 479.68, 958.23, 1912.1])
SHAPE = ModelTerms(-1200.0, 7200.0, 0.0)
# The last digit of the frequency counter, in cents, is 0.1 to 0.0003; a tenth is honest.
SIGMA = 0.1


def published(volts, hertz):
    cents = 1200.0 * volts
    errors = 1200.0 * np.log2(hertz) - cents
    return Points(cents, errors - errors.mean(), np.full(8, SIGMA), np.arange(8.0), np.arange(8))


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize(
    ("volts", "hertz", "line", "term"),
    [(VOLTS_A, HERTZ_A, 9.161, 3.763), (VOLTS_B, HERTZ_B, 2.243, 0.251)],
)
def test_published_residuals_of_line_and_frequency_term(volts, hertz, line, term):
    """Least squares give the posting's own figures, so the data were copied correctly."""
    errors = 1200.0 * np.log2(hertz) - 1200.0 * volts
    straight = np.stack([np.ones(8), volts], axis=1)
    curved = np.column_stack([straight, 2.0**volts])
    for columns, expected in ((straight, line), (curved, term)):
        solved, *_ = np.linalg.lstsq(columns, errors, rcond=None)
        assert rms(errors - columns @ solved) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(
    ("volts", "hertz", "bound"), [(VOLTS_A, HERTZ_A, 0.6), (VOLTS_B, HERTZ_B, 0.3)]
)
def test_model_runs_through_the_published_readings(volts, hertz, bound):
    points = published(volts, hertz)
    mean, _ = Model(SHAPE, points).predict(points.cents)
    assert rms(mean - points.errors) < bound


@pytest.mark.parametrize(
    ("volts", "hertz", "share"), [(VOLTS_A, HERTZ_A, 0.6), (VOLTS_B, HERTZ_B, 0.2)]
)
def test_a_published_reading_left_out_is_predicted_better_than_by_a_line(volts, hertz, share):
    points = published(volts, hertz)
    ours, lines, inside = [], [], []
    for index in range(1, 7):  # the ends would be extrapolated
        rest = points.without(index)
        mean, sigma = Model(SHAPE, rest).predict([points.cents[index]])
        ours.append(mean[0] - points.errors[index])
        inside.append(abs(ours[-1]) < 3.0 * sigma[0] + 0.3)
        fitted = np.polyfit(rest.cents, rest.errors, 1)
        lines.append(np.polyval(fitted, points.cents[index]) - points.errors[index])
    assert rms(ours) < share * rms(lines)
    assert sum(inside) >= 5


def physical(u, a, b, c, d):
    return a + b * u + c * 2.0**u + d * 2.0**-u


def test_model_agrees_with_scipy_where_physics_is_all_there_is():
    rng = np.random.default_rng(4)
    cents = np.linspace(3600.0, 8400.0, 13)
    u = (cents - 6000.0) / 1200.0
    errors = physical(u, 1.0, 4.0, -1.5, -0.4) + rng.normal(0.0, 0.05, 13)
    points = Points(cents, errors, np.full(13, 0.05), np.zeros(13), np.arange(13))
    dense = np.linspace(3600.0, 8400.0, 97)
    fitted, _ = curve_fit(physical, u, errors)
    scipys = physical((dense - 6000.0) / 1200.0, *fitted)
    ours, sigma = Model(ModelTerms(3600.0, 8400.0, 3600.0), points).predict(dense)
    assert np.abs(ours - scipys).max() < 0.15
    assert np.all(np.abs(ours - physical((dense - 6000) / 1200, 1.0, 4.0, -1.5, -0.4)) < 4 * sigma)


def test_a_bad_reading_is_found_where_scipys_robust_fit_also_ignores_it():
    """Data and the Huber fit of a table of robust lines: eight good points, the last 35 cents."""
    volts = np.arange(9.0)
    cents_off = np.array([1.2, 0.7, 0.3, -0.2, -0.6, -1.1, -1.5, -2.1, 35.0])
    cents_off[5], cents_off[8] = 35.0, -2.4  # the bad one inside, where others can speak
    points = Points(1200.0 * volts, cents_off, np.full(9, 0.1), np.zeros(9), np.arange(9))
    shape = ModelTerms(0.0, 9600.0, 0.0)
    bad = doubtful(shape, points)
    assert list(np.flatnonzero(bad)) == [5]
    clean = least_squares(
        lambda p: p[0] + p[1] * volts - cents_off, [0.0, 0.0], loss="soft_l1", f_scale=0.1
    ).x
    ours = Model(shape, points.without(bad)).predict(1200.0 * volts)[0]
    assert np.abs(ours - (clean[0] + clean[1] * volts))[~bad].max() < 0.3


def test_knots_every_semitone_lose_nothing_against_scipys_curve():
    cents = np.arange(3600.0, 8401.0, 100.0)
    errors = physical((cents - 6000.0) / 1200.0, 1.0, 10.0, -4.0, -0.4)
    spline = PchipInterpolator(cents, cents + errors)
    between = cents[:-1] + 50.0
    exact = between + physical((between - 6000.0) / 1200.0, 1.0, 10.0, -4.0, -0.4)
    assert np.abs(spline(between) - exact).max() < 0.02


def test_drift_is_told_from_the_curve_by_the_repeated_reference():
    cents = np.array([6000.0, 3600.0, 8400.0, 4800.0, 7200.0, 6000.0, 5400.0, 6600.0, 6000.0])
    at_s = np.arange(9.0) * 10.0
    drift = 0.02 * (at_s - at_s[-1])
    curve = physical((cents - 6000.0) / 1200.0, 0.0, 3.0, -1.0, 0.0)
    groups = (cents / 100).astype(int)
    points = Points(cents, curve + drift, np.full(9, 0.02), at_s, groups)
    model = Model(ModelTerms(3600.0, 8400.0, 3600.0), points)
    assert model.drift(at_s) == pytest.approx(drift, abs=0.1)
    assert model.predict(cents)[0] == pytest.approx(curve, abs=0.15)


def test_no_sigma_is_too_small_for_what_is_left():
    """Two sigma of the prediction hold for random voices drawn from the model's own terms."""
    rng = np.random.default_rng(8)
    dense = np.linspace(3600.0, 8400.0, 49)
    inside = []
    for _ in range(20):
        a, b, c, d = rng.normal(0.0, (20.0, 6.0, 2.0, 0.5))
        wave = rng.normal(0.0, 0.4) * np.sin(dense / rng.uniform(500.0, 1500.0))
        true = physical((dense - 6000.0) / 1200.0, a, b, c, d) + wave
        at = np.sort(rng.choice(49, 11, replace=False))
        at[0], at[-1] = 0, 48
        points = Points(
            dense[at], true[at] + rng.normal(0, 0.03, 11), np.full(11, 0.03), np.zeros(11), at
        )
        mean, sigma = Model(ModelTerms(3600.0, 8400.0, 3600.0), points).predict(dense)
        inside.append(np.mean(np.abs(mean - true) < 2.0 * sigma + 0.02))
    assert np.mean(inside) > 0.9


def test_exponential_fit_agrees_with_scipy():
    rng = np.random.default_rng(2)
    at_s = np.arange(0.0, 1200.0, 15.0)
    cents = 3.0 - 12.0 * np.exp(-at_s / 400.0) + rng.normal(0.0, 0.05, at_s.shape)
    fitted, _ = curve_fit(
        lambda t, end, swing, tau: end + swing * np.exp(-t / tau), at_s, cents, [0.0, -10.0, 300.0]
    )
    end, swing, tau_s = fit_exponential(at_s, cents, np.full(at_s.shape, 0.05))
    assert tau_s == pytest.approx(fitted[2], rel=0.08)  # the grid of time constants is 10 % wide
    assert end == pytest.approx(fitted[0], abs=0.3)
    assert swing == pytest.approx(fitted[1], abs=0.3)


def test_warmup_says_settled_only_when_it_has():
    warmup = WarmupWatch()
    said = None
    for at_s in np.arange(0.0, 7200.0, 20.0):
        warmup.add("reed", at_s, -20.0 * np.exp(-at_s / 600.0), 0.03)
        if said is None and warmup.settled():
            said = at_s
    assert said is not None
    rate = 20.0 / 600.0 * np.exp(-said / 600.0) * 60.0  # cents a minute
    assert rate < 0.2
    assert 20.0 * np.exp(-said / 600.0) < 1.5
    early = WarmupWatch()
    for at_s in np.arange(0.0, 600.0, 20.0):
        early.add("reed", at_s, -20.0 * np.exp(-at_s / 600.0), 0.03)
    drift = early.drift("reed")
    # Settled when under 0.2 cents a minute (ln 10) and 1 cent left (ln 20) of 20: 1797 s.
    assert drift.minutes_left == pytest.approx((1797.0 - 580.0) / 60.0, abs=2.0)
    assert not drift.settled
    assert "min to settle" in drift.line()
