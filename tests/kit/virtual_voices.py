"""Virtual cases with one known flaw each, and listeners that fail in some takes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from zerobeat.measure.curve.fit_result import Aim
from zerobeat.measure.curve.plan import MeasuringPlan
from zerobeat.measure.pitch.take import run_plan
from zerobeat.render.virtual_listener import VirtualListener
from zerobeat.sim.oscillator import Oscillator, OscillatorModel, WarmupCurve
from zerobeat.sim.scenario import C2_HZ
from zerobeat.sim.virtual_case import Mixer, VirtualCase
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter

WARM_S = 3000.0
FLAWED = OscillatorModel(
    C2_HZ, octaves_per_volt=1.004, offset_octaves=0.005, bulk_ohm=1.5, reset_s=2e-6
)


def case_of(model=FLAWED, converter=ConverterModel(), *, warmup=WarmupCurve(), hiss=0.001, seed=1):
    """Return a case with one oscillator on channel 0."""
    return VirtualCase(
        VirtualConverter(converter, seed),
        {0: Oscillator(model, seed)},
        warmup=warmup,
        mixer=Mixer(hiss_level=hiss),
        seed=seed,
    )


def measured(case, aim, listener=None):
    """Return the fit and the listener after a whole run."""
    listener = listener or VirtualListener(case, 0, start_s=WARM_S)
    plan = MeasuringPlan(aim)
    run_plan(plan, listener)
    return plan.result(), listener


def truth(case, notes, at_s, panel_octaves=0):
    """Return the pitch of notes sent without bend, panel octaves taken out."""
    return case.pitches(0, np.asarray(notes), 0, at_s) - 1200.0 * panel_octaves


class FaultyListener:
    """A listener whose takes of some notes come out wrong or not at all.

    Args:
        inside: the listener that is spoiled.
        shift_cents: by note, a list used up one reading at a time.
        deaf: notes that are refused as noise.
    """

    def __init__(self, inside, shift_cents=None, deaf=()):
        self.inside, self.deaf = inside, set(deaf)
        self.shift_cents = {note: list(shifts) for note, shifts in (shift_cents or {}).items()}
        self.heard = []

    @property
    def now_s(self):
        return self.inside.now_s

    def listen(self, request):
        heard = self.inside.listen(request)
        if request.note in self.deaf:
            heard = replace(heard, pitch=None, refused="noise")
        elif self.shift_cents.get(request.note) and heard.pitch is not None:
            cents = self.shift_cents[request.note].pop(0)
            hertz = heard.pitch.hertz * 2.0 ** (cents / 1200.0)
            heard = replace(heard, pitch=replace(heard.pitch, hertz=hertz))
        self.heard.append(heard)
        return heard


AIM = Aim("reed", 36, 84)
