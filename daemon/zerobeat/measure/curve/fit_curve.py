"""Fits the tracking curve of a run: doubtful readings, unusable stretches, drift, knots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from ...errors import TrackingError, VoiceMeasureError
from ...tuning.readings import LEAST_SLOPE
from ...tuning.tracking import Reading, TrackingCurve, Unusable
from . import advice
from . import bend_tests as bends
from .between_readings import unread_cents
from .fit_result import Aim, BendFacts, CurveFit, NoteReading
from .model import Model, Points
from .run_readings import RunReadings, doubtful, model_terms, points_from

LEAST_READINGS = 2
KNOWN_FACTOR = 2.0  # times the tolerance, two sigma: limit of extrapolation beyond the readings
UNSTEADY_NOTE_CENTS = 1.0  # one sigma of a note's readings together
JOINED_CENTS = 200.0
Spans = Sequence[tuple[int, int]]


def worst_cents_so_far(run: RunReadings, spans: Spans) -> float:
    """Return two sigma of the smooth curve where it is least known so far, in cents."""
    notes = np.array([n for low, high in spans for n in range(low, high + 1)])
    if not len(notes):
        return 0.0
    return float(2.0 * run.model().predict(100.0 * notes)[1].max())


def fit_readings(
    run: RunReadings,
    *,
    refused: tuple[tuple[int, str], ...] = (),
    takes: int = 0,
    sound_s: float = 0.0,
    proved: bool = True,
) -> CurveFit:
    """Return the fit of a run.

    Args:
        run: the readings of the run, those of the bend tests too.
        refused: (note, reason) of notes that could not be read.
        takes, sound_s: number of takes, and seconds of sound in them.
        proved: check notes were or will be played; without them the curve counts as
            less known where nothing was read.

    Raises:
        MeasureError: too few readings, or no rising pitch in them.
    """
    aim = run.aim
    if len(run) < LEAST_READINGS:
        raise VoiceMeasureError(
            aim.voice,
            f"found readings of {len(run)} notes; needed: {LEAST_READINGS} or "
            "more; the old profile is untouched",
        )
    points = points_from(run, run.unbent)
    out = run.excluded | run.wrong
    excluded = np.array([one.request.note in out for one in run.unbent])
    bad = np.zeros(len(excluded), bool)
    bad[~excluded] = doubtful(model_terms(aim), points.without(excluded))
    drift = Model(model_terms(aim), points.without(bad | excluded)).drift(points.at_s)
    readings = tuple(
        NoteReading(
            one.request.note,
            one.request.bend_cents,
            round(float(error - moved), 4),
            round(max(float(sigma), 0.005), 4),
            one.at_s,
            round(float(moved), 4),
            bool(off),
        )
        for one, error, sigma, moved, off in zip(
            run.unbent, points.errors, points.sigmas, drift, bad, strict=True
        )
    )
    unusable = _unusable_stretches(aim, readings, refused)
    usable = _usable_points(points, bad | excluded, unusable)
    model = Model(model_terms(aim), usable if len(usable.cents) >= 2 else points.without(bad))
    facts = _bend_facts(run, model)
    by_number = facts is not None and facts.errors_follow == "number"
    # A table by number needs every number; from some of them only the smooth curve is known.
    whole = aim.every_semitone or len(run) > aim.highest_note - aim.lowest_note
    # Wrong notes and their neighbours were read, and lines between other readings are level.
    single = bool(run.wrong) and _wrong_by_number(run, model)
    by_table = (by_number and whole) or single
    follow: Literal["volts", "number"] = "number" if by_table else "volts"
    curve = _curve_through(aim, model, readings, unusable, not (by_number or single))
    curve, wrong = _with_wrong_notes(curve, readings, run.wrong, not by_table)
    if not proved:
        unread = unread_cents(curve.knots_cents, model.points.cents)
        sigmas = np.hypot(curve.sigmas_cents, unread)
        curve = replace(curve, sigmas_cents=tuple(map(float, sigmas)))
    found = CurveFit(
        voice=aim.voice,
        readings=readings,
        curve=curve,
        worst_cents=_worst_cents(aim, model, curve, proved),
        rough_cents=model.rough_cents,
        drift_cents_per_min=_drift_rate(points, drift),
        bend=facts,
        errors_follow=follow,
        panel_octaves=aim.panel_octaves,
        refused=refused,
        takes=takes,
        sound_s=sound_s,
        wrong_notes=wrong,
    )
    return replace(found, advice=tuple(advice.advice_lines(found, aim)))


def _wrong_by_number(run: RunReadings, model: Model) -> bool:
    """Return whether wrong notes stay wrong when they are bent: they follow the number."""
    votes = 0
    for note in run.wrong:
        bent = run.bend_of(note, bends.middle_bend(run.aim.bend_range_cents))
        plain = [run.error_of(one) for one in run.unbent if one.request.note == note]
        if bent is None:
            continue
        there = model.predict([bent.request.commanded_cents, 100.0 * note])[0]
        kept = run.error_of(bent) - there[0]
        own = float(np.mean(plain)) - there[1]
        votes += 1 if abs(kept - own) < 0.5 * abs(own) else -1
    return votes > 0


def _with_wrong_notes(
    curve: TrackingCurve, readings: tuple[NoteReading, ...], wrong: set[int], knots: bool
) -> tuple[TrackingCurve, tuple[tuple[int, float], ...]]:
    """Return the own errors of wrong notes (note, cents), and the curve, with ``knots`` of them."""
    sounding, sigmas = list(curve.sounding_cents), list(curve.sigmas_cents)
    found = []
    for note in sorted(wrong):
        if 100.0 * note not in curve.knots_cents:
            continue
        at = curve.knots_cents.index(100.0 * note)
        own = [one for one in readings if one.note == note and one.bend_cents == 0.0]
        weights = np.array([1.0 / max(one.sigma_cents, 0.03) ** 2 for one in own])
        error = float(np.average([one.cents for one in own], weights=weights))
        found.append((note, 100.0 * note + error - sounding[at]))
        sounding[at] = round(100.0 * note + error, 4)
        if sigmas:
            sigmas[at] = float(weights.sum() ** -0.5)
    if found and knots:
        curve = replace(curve, sounding_cents=tuple(sounding), sigmas_cents=tuple(sigmas))
    return curve, tuple(found)


def _usable_points(points: Points, bad: np.ndarray, unusable: list[Unusable]) -> Points:
    """Return the readings outside the unusable stretches, doubtful ones left out."""
    off = bad.copy()
    for part in unusable:
        off |= (points.cents >= part.lowest_cents) & (points.cents <= part.highest_cents)
    return points.without(off)


def _unusable_stretches(
    aim: Aim, readings: tuple[NoteReading, ...], refused: tuple[tuple[int, str], ...]
) -> list[Unusable]:
    """Return the unusable stretches: where readings contradict, and where none could be read."""
    kept = [one for one in readings if not one.doubtful]
    plain = [Reading(100.0 * r.note + r.bend_cents, r.cents, r.sigma_cents) for r in kept]
    try:
        curve = TrackingCurve.from_readings(plain, bend_range_cents=aim.bend_range_cents)
    except TrackingError as error:
        raise VoiceMeasureError(aim.voice, str(error)) from None
    found = list(curve.unusable)
    good = sorted({one.note for one in kept})
    known = dict(zip(curve.knots_cents, curve.sigmas_cents, strict=True))
    for note, sigma in known.items():
        if sigma > UNSTEADY_NOTE_CENTS:
            low, high = _around(aim, round(note / 100.0), good)
            found.append(Unusable(low, high, f"unsteady, by {sigma:.1f} cents"))
    off = {note for note, _ in refused}
    good = [note for note in good if note not in off]
    for note, reason in refused:
        low, high = _around(aim, note, good)
        text = reason
        if reason not in ("far off", "leaves the curve"):
            text = "no steady pitch to read"
            text += "" if reason == "unsteady" else f" ({reason.replace('_', ' ')})"
        found.append(Unusable(low, high, text))
    return _joined(found)


def _around(aim: Aim, note: int, good: list[int]) -> tuple[float, float]:
    """Return the stretch around a bad note: half way to its good neighbours, or to the end."""
    below = [n for n in good if n < note]
    above = [n for n in good if n > note]
    low = 50.0 * (below[-1] + note) if below else 100.0 * min(aim.lowest_note, note)
    high = 50.0 * (above[0] + note) if above else 100.0 * max(aim.highest_note, note)
    return low, high


def _joined(found: list[Unusable]) -> list[Unusable]:
    """Return stretches that touch or lie a tone apart as one, with all their reasons."""
    joined: list[Unusable] = []
    for part in sorted(found, key=lambda one: (one.lowest_cents, one.highest_cents)):
        last = joined[-1] if joined else None
        if last is None or part.lowest_cents > last.highest_cents + JOINED_CENTS:
            joined.append(part)
            continue
        reason = last.reason
        # One line for a stretch: a kind of trouble is named once, with its first figures.
        if not any(
            _kind_of_trouble(part.reason) == _kind_of_trouble(one) for one in reason.split(", ")
        ):
            reason += f", {part.reason}"
        high = max(last.highest_cents, part.highest_cents)
        joined[-1] = Unusable(last.lowest_cents, high, reason)
    return joined


def _kind_of_trouble(reason: str) -> str:
    """Return the part of an unusable stretch's reason that has no figures."""
    for kind in ("scatter", "bend range", "unsteady", "no steady pitch", "does not rise"):
        if kind in reason:
            return kind
    return reason


def _curve_through(
    aim: Aim,
    model: Model,
    readings: tuple[NoteReading, ...],
    unusable: list[Unusable],
    with_notes: bool,
) -> TrackingCurve:
    """Return a curve through the model at each semitone.

    Beyond the outermost readings it is extrapolated to the ends of the aim's
    range, as far as the model's sigma allows.

    Args:
        with_notes: include errors of single notes; False where a table by number has them.
    """
    notes = [one.note for one in readings if not one.doubtful]
    numbers = np.arange(*_reach(aim, model, min(notes), max(notes), unusable))
    commanded = 100.0 * numbers
    errors, sigmas = model.predict(commanded, numbers if with_notes else None)
    sounding = commanded + errors
    kept = [0]
    for index in range(1, len(numbers)):
        run = commanded[index] - commanded[kept[-1]]
        if sounding[index] - sounding[kept[-1]] >= LEAST_SLOPE * run:
            kept.append(index)
    return TrackingCurve(
        tuple(float(commanded[i]) for i in kept),
        tuple(round(float(sounding[i]), 4) for i in kept),
        tuple(unusable),
        tuple(float(sigmas[i]) for i in kept),
    )


def _reach(
    aim: Aim, model: Model, lowest: int, highest: int, unusable: list[Unusable]
) -> tuple[int, int]:
    """Return the first note of a curve, and the one after its last."""
    numbers = np.arange(128)
    known = 2.0 * model.predict(100.0 * numbers)[1] <= KNOWN_FACTOR * aim.tolerance_cents
    for part in unusable:
        known &= (100 * numbers < part.lowest_cents) | (100 * numbers > part.highest_cents)
    while lowest > aim.lowest_note and known[lowest - 1]:
        lowest -= 1
    while highest < aim.highest_note and known[highest + 1]:
        highest += 1
    return lowest, highest + 1


def _worst_cents(aim: Aim, model: Model, curve: TrackingCurve, proved: bool) -> float:
    """Return two sigma where the curve is least known, outside the unusable stretches."""
    notes = np.arange(aim.lowest_note, aim.highest_note + 1)
    inside = [
        curve.unusable_at(100.0 * n) is None and not curve.extrapolated(100.0 * n) for n in notes
    ]
    if not any(inside):
        return float("inf")
    notes = notes[np.array(inside)]
    # Where every note is read, the errors of single notes are known too.
    groups = notes if aim.every_semitone else None
    sigmas = model.predict(100.0 * notes, groups)[1]
    if not proved:
        sigmas = np.hypot(sigmas, unread_cents(100.0 * notes, model.points.cents))
    return float(2.0 * sigmas.max())


def _drift_rate(points: Points, drift: np.ndarray) -> float:
    """Return the mean drift over a run, cents a minute, sharp positive."""
    minutes = float(np.ptp(points.at_s)) / 60.0
    first = int(np.argmin(points.at_s))
    return -float(drift[first]) / minutes if minutes > 0.05 else 0.0


def _bend_facts(run: RunReadings, model: Model) -> BendFacts | None:
    """Return the results of the bend tests; None if they were not made or not read."""
    aim = run.aim
    wide = bends.wide_bend(aim.bend_range_cents)
    middle = bends.middle_bend(aim.bend_range_cents)
    reference = next((h.request.note for h in run.bent if h.request.bend_cents == wide), None)
    if reference is None:
        return None
    takes = [run.first(reference)] + [run.bend_of(reference, bend) for bend in (wide, middle)]
    rest, full, half = takes
    if rest is None or full is None or half is None:
        return None
    below = [h for h in run.bent if h.request.bend_cents == middle - 100.0]
    next_down = below[-1] if below else None
    at_middle = half
    if next_down is not None:
        at_middle = run.bend_of(next_down.request.note - 1, middle) or half

    def error_of(cents: float) -> float:
        return float(model.predict([cents])[0][0])

    return bends.bend_facts(
        aim, error_of, rest, full, half, at_middle, next_down, model.rough_cents
    )
