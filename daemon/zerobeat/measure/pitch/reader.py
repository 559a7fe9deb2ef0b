"""The pitch reader: the pitch of one take with its uncertainty, or a named refusal.

A coarse search finds the pitch, the phase fit refines it over the whole take,
the autocorrelation, which is independent of the fit, must agree, and the fit
quality widens the uncertainty or refuses the take.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from ...errors import TakeRefusedError
from .autocorrelation import autocorrelation_pitch
from .coarse_search import (
    Candidate,
    SpectralLines,
    candidate_pitches,
    find_lines,
    highest_of_its_own,
    is_one_high_line,
    score_candidates,
    two_series,
    without_hum,
)
from .fit_quality import (
    CENTS_A_NEPER,
    bend_cents,
    drift_cents_per_s,
    has_neighbour,
    is_unsteady,
    level_shift_cents,
    phase_wander_excess,
    pitch_scatter_excess,
    second_pitch_share,
    tone_growth,
)
from .phase_fit import PhaseFit, fit_phases, without_sines

SILENT_DBFS = -80.0
OVERLOAD_SHARE = 0.25  # of samples in flat runs; a sine driven 0.7 dB over reaches it
FULL_SCALE = 0.998  # a sample this high counts as full scale
FLAT_RUN = 3  # full-scale samples in a row that make a run
LEAST_PERIODS = 6.0
MOST_DRIFT_CENTS_PER_S = 40.0
MOST_SIGMA_CENTS = 5.0
SECOND_PITCH_SHARE = 0.02  # of the tone's power, -17 dB
METHODS_AGREE_CENTS = 3.0
MOST_BEND_SIGMA_CENTS = 4.0  # a drift is followed up to MOST_DRIFT_CENTS_PER_S
# Of the tone's power, in lines that a pitch has and its multiples lack; else it is a sub-harmonic.
OWN_SHARE, OWN_SHARE_EXPECTED = 2e-3, 2e-4
REASONS = {
    "silent": "nothing is sounding; check cable, channel and level",
    "noise": "no steady tone stands out of the noise; check the cable, turn the level up",
    "overload": "the input is overloaded; turn the level down",
    "short": "the take is too short for so low a note; record longer",
    "range": "the pitch is outside the range searched; check the octave",
    "moving": "the pitch is still moving; wait until it has settled",
    "octave": "its octave is not clear; play it brighter or duller, and without distortion",
    "two_pitches": (
        "a second tone sounds beside the first: silence other voices, chorus and "
        "pulse-width modulation"
    ),
    "changing": "the sound itself changes; hold filter and pulse width still, one oscillator alone",
    "disagree": "two methods do not agree; the sound has no clear pitch",
}


@dataclass(frozen=True)
class Pitch:
    """The reading of one take.

    Attributes:
        hertz: at the middle of the take.
        sigma_cents: one sigma of the reading, for the noise and for what moves in the
            take: pitch that bends, levels of partials that shift (filter, pulse width,
            beating). The sound card's clock is not in it.
        level_dbfs: rms of the whole take, a full-scale square wave being 0.
        drift_cents_per_s: how fast the pitch moves, sharp positive.
        stiffness: B of a stiff string, 0 where none was found.
        harmonics: how many partials were used.
        peak_share: share of samples in runs at full scale (overload).
    """

    hertz: float
    sigma_cents: float
    level_dbfs: float
    drift_cents_per_s: float
    stiffness: float
    harmonics: int
    peak_share: float


def estimate_pitch(
    samples: np.ndarray,
    sample_rate_hz: float,
    *,
    expected_hz: float | None = None,
    lowest_hz: float = 15.0,
    highest_hz: float = 9000.0,
    background: np.ndarray | None = None,
) -> Pitch:
    """Read the pitch of one take.

    Args:
        samples: one channel, shape (size,), full scale 1.0.
        sample_rate_hz: 44,100 to 192,000 are tested.
        expected_hz: where given, the pitch is searched within half an octave of it; else
            a pitch whose octave is not clear is refused (``octave``).
        lowest_hz, highest_hz: the range; a pitch outside is refused.
        background: the same input with no voice sounding, shape (any,), best as
            long as the take; its lines (hum) do not count as the voice.

    Raises:
        TakeRefusedError: with ``reason``, one of ``REASONS``.
        ValueError: samples that are not one channel of finite numbers.
    """
    samples = np.asarray(samples, dtype=float)
    if samples.ndim != 1 or not np.all(np.isfinite(samples)):
        raise ValueError("samples: found another shape or no numbers; allowed: one channel, finite")
    low, high = lowest_hz, highest_hz
    if expected_hz is not None:
        low, high = max(low, expected_hz / 2**0.5), min(high, expected_hz * 2**0.5)
    if len(samples) < max(256.0, LEAST_PERIODS * sample_rate_hz / high):
        _refuse_take("short", expected_hz)
    peak_share = full_scale_share(samples)
    if peak_share > OVERLOAD_SHARE:
        _refuse_take("overload", expected_hz)
    level_dbfs = 10 * math.log10(max(float(np.mean(samples**2)), 1e-20))
    samples = samples - samples.mean()
    if 10 * math.log10(max(float(np.mean(samples**2)), 1e-20)) < SILENT_DBFS:
        _refuse_take("silent", expected_hz)
    if background is not None:
        background = np.asarray(background, dtype=float) - np.mean(background)
    lines = without_hum(find_lines(samples, sample_rate_hz, background))
    try:
        chosen = _choose_candidate(samples, lines, low, high, expected_hz, background)
    except TakeRefusedError as refused:
        # So few periods show no lines; of the pitch expected, that is a matter of length.
        few = (
            expected_hz is not None and len(samples) * expected_hz < LEAST_PERIODS * sample_rate_hz
        )
        if few and refused.reason in ("noise", "range"):
            _refuse_take("short", expected_hz)
        raise
    if len(samples) * chosen.hertz < LEAST_PERIODS * sample_rate_hz:
        _refuse_take("short", expected_hz)
    fit = fit_phases(samples, sample_rate_hz, chosen, lines)
    if fit is None:
        _refuse_take("noise", expected_hz)
    return _checked_pitch(samples, sample_rate_hz, chosen, fit, level_dbfs, peak_share, expected_hz)


def full_scale_share(samples: np.ndarray) -> float:
    """Return the share of samples in runs at full scale; a single peak is no run.

    A pulse wave recorded at full scale looks the same as an overloaded input.
    """
    full = np.abs(samples) >= FULL_SCALE
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(np.int8), [0]])))
    runs = edges[1::2] - edges[::2]
    return float(runs[runs >= FLAT_RUN].sum() / len(samples))


def _choose_candidate(
    samples: np.ndarray,
    lines: SpectralLines,
    low: float,
    high: float,
    expected_hz: float | None,
    background: np.ndarray | None,
) -> Candidate:
    """Return the coarse pitch in the range, or refuse the take."""
    if not len(lines.hertz):
        quiet = background is not None and np.mean(samples**2) < 2 * np.mean(background**2)
        _refuse_take("silent" if quiet else "noise", expected_hz)
    found = score_candidates(
        lines,
        candidate_pitches(lines, low / 3.2, min(3.2 * high, lines.grid_hz * len(lines.floor))),
    )
    if not found or found[0].score < 0:
        _refuse_take("noise", expected_hz)
    best = found[0]
    inside = [one for one in found if low <= one.hertz <= high]
    if not inside:
        _refuse_take("range", expected_hz)
    most = max(one.share for one in inside)
    chosen = next(one for one in inside if one.share > 0.9 * most)
    sparse = len(chosen.numbers) == 0 or math.gcd(*chosen.numbers.tolist()) > 1
    # With an expected pitch, weak lines of a rival (hum, quantizing noise) don't count.
    ahead, more = (15.0, 0.02) if expected_hz else (0.0, 0.0)
    rival = best.score > chosen.score + ahead and best.share >= chosen.share + more
    if best is not chosen and (rival or sparse):
        _refuse_take("range", expected_hz)
    least = OWN_SHARE_EXPECTED if expected_hz else OWN_SHARE
    own, sure = highest_of_its_own(chosen, lines, least)
    if not low <= own.hertz <= high:
        _refuse_take("range", expected_hz)
    if expected_hz is None and (not sure or is_one_high_line(own, lines)):
        _refuse_take("octave", expected_hz)
    if expected_hz is None and two_series(own, lines):
        _refuse_take("two_pitches", expected_hz)
    return own


def _checked_pitch(
    samples: np.ndarray,
    rate_hz: float,
    chosen: Candidate,
    fit: PhaseFit,
    level_dbfs: float,
    peak_share: float,
    expected_hz: float | None,
) -> Pitch:
    """Check the fit quality and return the reading, or refuse the take."""
    partials = fit.partials
    sigma = CENTS_A_NEPER * math.sqrt(max(fit.step.covariance[0, 0], 0.0))
    drift, drift_sigma = drift_cents_per_s(fit)
    if second_pitch_share(fit) > SECOND_PITCH_SHARE or has_neighbour(fit):
        _refuse_take("two_pitches", expected_hz)
    if is_unsteady(fit):
        _refuse_take("changing", expected_hz)
    if abs(drift) > MOST_DRIFT_CENTS_PER_S + 2 * drift_sigma:
        _refuse_take("moving", expected_hz)
    # A fit that had not converged is off by about its last step.
    sigma *= math.sqrt(max(phase_wander_excess(fit), pitch_scatter_excess(fit)) + fit.step.moved**2)
    other = autocorrelation_pitch(
        without_sines(samples, partials), rate_hz, chosen.hertz, partials.drift, tone_growth(fit)
    )
    if sigma > MOST_SIGMA_CENTS:
        _refuse_take("noise", expected_hz)
    loose = METHODS_AGREE_CENTS + 20 * sigma + 2e4 * abs(partials.stiffness)
    if other is None or abs(CENTS_A_NEPER * math.log(other / partials.pitch_hz)) > loose:
        _refuse_take("disagree", expected_hz)
    sigma = math.hypot(sigma, min(bend_cents(fit), MOST_BEND_SIGMA_CENTS), level_shift_cents(fit))
    if sigma > MOST_SIGMA_CENTS:
        _refuse_take("changing", expected_hz)
    return Pitch(
        hertz=partials.pitch_hz,
        sigma_cents=sigma,
        level_dbfs=level_dbfs,
        drift_cents_per_s=float(drift),
        stiffness=float(partials.stiffness),
        harmonics=int(np.sum(partials.number > 0)),
        peak_share=peak_share,
    )


def _refuse_take(reason: str, expected_hz: float | None) -> NoReturn:
    where = "" if expected_hz is None else f" near {expected_hz:.1f} Hz"
    raise TakeRefusedError(reason, f"take{where}: {reason.replace('_', ' ')}: {REASONS[reason]}")
