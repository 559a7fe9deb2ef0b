"""Voices measured from virtual audio: what is known after so many takes.

    .venv/bin/python tests/bench/measure.py [OSCILLATORS] [--verbose] [--wrong-notes]

Bounds: a voice known to 0.5 cents over four octaves from at most 12 takes and
15 s of sound, 50 random oscillators, none worse than 1 cent anywhere in its
usable range; every semitone of a converter with wrong notes: none worse than
0.5. The pitch reader hears rendered audio with hiss; the plan knows nothing of
the case. "worst" is against the voice as it is right after the run, by what
sounds when each semitone is asked for: bend and converter steps count too.
These voices stand behind 16 bits. Converters of 12 and 14 bits over 10 V have
steps of 2.9 and 0.7 cents, which no curve can better; their takes are not
limited, and their curves are judged between the steps, against 1.25 times half a
step.
Beside it, in the same run, a straight line through the readings.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from zerobeat.measure.curve.fit_result import Aim, CurveFit
from zerobeat.measure.curve.glance import GlancePlan
from zerobeat.measure.curve.plan import MeasuringPlan
from zerobeat.measure.pitch.take import run_plan
from zerobeat.render.virtual_listener import VirtualListener
from zerobeat.sim.dac import DacModel
from zerobeat.sim.scenario import random_case
from zerobeat.sim.virtual_case import Mixer, VirtualCase
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter
from zerobeat.tuning.bend import cents_to_bend, nearest_note
from zerobeat.tuning.tracking import TrackingCurve

LOWEST, HIGHEST = 36, 84
WARM_S = 3000.0
MOST_TAKES, MOST_SOUND_S = 12, 15.0
HISS = 0.001


def measured(case: VirtualCase, channel: int, aim: Aim) -> tuple[CurveFit, float]:
    listener = VirtualListener(case, channel, start_s=WARM_S)
    plan = MeasuringPlan(aim)
    run_plan(plan, listener)
    return plan.result(), listener.now_s


def left(
    case: VirtualCase, fit: CurveFit, at_s: float, errors: tuple[float, ...] | None = None
) -> np.ndarray:
    """Return what is left, in cents, when each semitone is asked for and sounds."""
    reach = case.converter.bend_range_cents(0)
    off = []
    for key in range(LOWEST, HIGHEST + 1):
        commanded = fit.curve.commanded(100.0 * key)
        if fit.curve.unusable_at(commanded) is not None:
            continue
        note = nearest_note(commanded, 0, 127, reach, errors)
        assert note is not None
        bend_cents = commanded - 100.0 * note - (errors[note] if errors else 0.0)
        bend = cents_to_bend(bend_cents, reach)
        off.append(float(case.pitches(0, note, bend, at_s)) - 100.0 * key)
    return np.array(off)


def between_steps(case: VirtualCase, curve: TrackingCurve, at_s: float) -> np.ndarray:
    """Return the curve's error, the converter's steps averaged out."""
    reach = case.converter.bend_range_cents(0)
    step = case.converter.step_cents(0)
    bends = np.round((np.arange(16) + 0.5 - 8) / 16 * step * 8192 / reach).astype(int)
    off = []
    for note in range(LOWEST, HIGHEST + 1):
        heard = np.mean(case.pitches(0, note, bends, at_s) - bends * reach / 8192)
        off.append(curve.sounding(100.0 * note) - heard)
    return np.array(off)


def by_line(fit: CurveFit) -> np.ndarray:
    """Return how far readings leave the straight line through them."""
    x = np.array([r.note for r in fit.readings], float)
    y = np.array([r.cents for r in fit.readings])
    return y - np.polyval(np.polyfit(x, y, 1), x)


def oscillators(count: int, verbose: bool) -> int:
    failed, known = 0, []
    lines, started = [], time.monotonic()
    for seed in range(count):
        case = random_oscillator(seed)
        fit, now_s = measured(case, 0, Aim("reed", LOWEST, HIGHEST, most_takes=MOST_TAKES))
        heard = left(case, fit, now_s)
        worst = float(np.abs(heard).max())
        known.append(worst)
        bad = worst > 1.0 or fit.takes > MOST_TAKES or fit.sound_s > MOST_SOUND_S
        failed += bad
        lines.append(float(np.abs(by_line(fit)).max()))
        if verbose or bad:
            print(
                f"{seed:4} {fit.takes:3} takes {fit.sound_s:5.1f} s  predicted "
                f"{fit.worst_cents:.2f}  worst {worst:.2f}  line {lines[-1]:.1f}  "
                f"{'FAIL' if bad else 'pass'}"
            )
    share = np.mean(np.array(known) <= 0.5)
    print(
        f"oscillators: {count - failed} of {count} within 1 cent, {100 * share:.0f} % within 0.5; "
        f"median {np.median(known):.2f}, worst {max(known):.2f} cents; straight line: median "
        f"{np.median(lines):.1f}, worst {max(lines):.1f}; "
        f"{(time.monotonic() - started) / count:.1f} s each"
    )
    return failed


def coarse(count: int, verbose: bool) -> int:
    """Measure voices behind coarse converters, with as many takes as the plan wants."""
    failed, ratios, takes = 0, [], []
    for seed in range(count):
        case = random_oscillator(seed, bits=12 if seed % 2 else 14)
        fit, now_s = measured(case, 0, Aim("reed", LOWEST, HIGHEST))
        worst = float(np.abs(between_steps(case, fit.curve, now_s)).max())
        half = case.converter.step_cents(0) / 2.0
        ratios.append(worst / max(half, 0.5))
        takes.append(fit.takes)
        failed += ratios[-1] > 1.25
        if verbose or ratios[-1] > 1.25:
            print(
                f"{seed:4} half a step {half:.2f}: {fit.takes} takes, {fit.sound_s:.0f} s, "
                f"predicted {fit.worst_cents:.2f}, worst {worst:.2f}"
            )
    print(
        f"coarse converters: {count - failed} of {count} within 1.25 times half a step (0.5 at "
        f"least), worst "
        f"{max(ratios):.2f} of it; {min(takes)} to {max(takes)} takes"
    )
    return failed


def random_oscillator(seed: int, bits: int = 16) -> VirtualCase:
    """Return the case of ``random_case`` with one voice and a converter of so many bits."""
    case = random_case(seed, 1)
    model = replace(case.converter.model.dacs[0], bits=bits)
    converter = VirtualConverter(ConverterModel(dacs={0: model}), seed)
    return VirtualCase(converter, case.oscillators, mixer=Mixer(hiss_level=HISS), seed=seed)


def wrong_notes(count: int, verbose: bool) -> int:
    """Measure every semitone of converters whose notes are off one by one."""
    failed, known = 0, []
    for seed in range(count):
        base = random_case(seed, 1)
        rng = np.random.default_rng([seed, 0xBAD])
        wrong = {n: float(rng.choice((0.0, rng.normal(0.0, 8.0)))) for n in range(128)}
        model = ConverterModel(note_errors_cents=wrong, dac=DacModel(bits=16))
        case = VirtualCase(
            VirtualConverter(model, seed), base.oscillators, mixer=Mixer(hiss_level=HISS), seed=seed
        )
        aim = Aim("reed", LOWEST - 1, HIGHEST + 1, every_semitone=True, most_takes=200)
        fit, now_s = measured(case, 0, aim)
        errors = fit.note_errors_cents()
        worst = float(np.abs(left(case, fit, now_s, errors)).max())
        known.append(worst)
        failed += worst > 0.5
        if verbose or worst > 0.5:
            print(
                f"{seed:4} wrong notes: {fit.takes} takes, {fit.sound_s:.0f} s, follows "
                f"{fit.errors_follow}, worst {worst:.2f}"
            )
    print(f"every semitone: {count - failed} of {count} within 0.5 cents, worst {max(known):.2f}")
    return failed


def single_wrong_notes(count: int, verbose: bool) -> int:
    """Measure plainly, with a glance at every note: none to three wrong notes of 2 to 12 cents."""
    failed, missed, invented, more_s, known = 0, 0, 0, [], []
    for seed in range(count):
        base = random_case(seed, 1)
        rng = np.random.default_rng([seed, 77])
        places = rng.choice(np.arange(LOWEST + 1, HIGHEST), rng.integers(0, 4), replace=False)
        wrong = {int(n): float(rng.choice((-1, 1)) * rng.uniform(2, 12)) for n in places}
        dac = replace(base.converter.model.dacs[0], bits=16)
        model = ConverterModel(note_errors_cents=wrong, dacs={0: dac})
        case = VirtualCase(
            VirtualConverter(model, seed), base.oscillators, mixer=Mixer(hiss_level=HISS), seed=seed
        )
        aim = Aim("reed", LOWEST, HIGHEST)
        listener = VirtualListener(case, 0, start_s=WARM_S)
        glance, plan = GlancePlan(aim), MeasuringPlan(aim)
        run_plan(glance, listener)
        plan.suspect(glance.suspects())
        run_plan(plan, listener)
        fit = plan.result()
        found = {note for note, _ in fit.wrong_notes}
        worst = float(np.abs(left(case, fit, listener.now_s, fit.note_errors_cents())).max())
        missed, invented = missed + len(set(wrong) - found), invented + len(found - set(wrong))
        known.append(worst)
        more_s.append(glance.sound_s)
        bad = found != set(wrong) or worst > 1.0
        failed += bad
        if verbose or bad:
            print(
                f"{seed:4} wrong {sorted(wrong)}, found {sorted(found)}, glance "
                f"{glance.sound_s:.1f} s, then {fit.sound_s:.1f} s, worst {worst:.2f}"
            )
    print(
        f"single wrong notes: {missed} missed, {invented} invented in {count} voices; a glance is "
        f"{max(more_s):.1f} s of sound; worst {max(known):.2f} cents"
    )
    return failed


def main() -> int:
    verbose = "--verbose" in sys.argv
    numbers = [int(one) for one in sys.argv[1:] if one.isdigit()]
    count = numbers[0] if numbers else 50
    if "--wrong-notes" in sys.argv:
        return 1 if single_wrong_notes(count, verbose) else 0
    failed = oscillators(count, verbose)
    failed += coarse(max(count // 5, 1), verbose)
    failed += wrong_notes(max(count // 5, 1), verbose)
    failed += single_wrong_notes(count, verbose)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
