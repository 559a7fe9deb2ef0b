"""Measures a voice from any source of readings: aim, fit, proof and profile."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from ..config.converter_file import ConverterFile
from ..config.profile_file import (
    CheckNote,
    Profile,
    ProfileReading,
)
from ..config.rig import LoadedRig
from ..config.voice_field import with_profile
from ..engine.chain import Chain
from ..engine.settings import PLAIN, Tonight, TouchUp, Voice
from ..errors import CommandError, MeasureError, one_of
from ..measure.curve.fit_curve import fit_readings
from ..measure.curve.fit_result import Aim, CurveFit
from ..measure.curve.glance import GlancePlan
from ..measure.curve.plan import MeasuringPlan
from ..measure.curve.proof import (
    ACCEPT_CENTS,
    BETTER_CENTS,
    CHECK_ROUNDS,
    Encode,
    Proof,
    ProofPlan,
)
from ..measure.curve.run_readings import RunReadings
from ..measure.pitch.take import HIGHEST_HZ, Progress, Take, TakeListener, run_plan
from ..tuning.tracking import TrackingCurve
from ..tuning.units import hertz_to_pitch

LOWEST_SOUND_CENTS = 1600.0  # 20.6 Hz
ENVELOPE_SETTLE_S = 0.1  # for envelope and slew, added to the converter's own
ProgressCallback = Callable[[Progress], None]


@dataclass(frozen=True, slots=True)
class MeasuredVoice:
    """The result of measuring a voice.

    Attributes:
        profile: of fit and proof.
        proof: None if no check notes were played.
        left: largest errors at the readings with the old and the new correction, in cents.
        worse: why it should not replace the profile in force; "" if it may.
    """

    fit: CurveFit
    profile: Profile
    proof: Proof | None
    left: tuple[float, float]
    worse: str = ""


def find_voice(loaded: LoadedRig, name: str) -> Voice:
    """Return a voice of the rig.

    Raises:
        CommandError: the rig has none of that name.
    """
    for voice in loaded.rig.voices:
        if voice.name == name:
            return voice
    names = one_of(name, (voice.name for voice in loaded.rig.voices))
    raise CommandError(f"found no voice {name}; allowed: {names}")


def aim_of(
    loaded: LoadedRig,
    voice: Voice,
    *,
    tolerance_cents: float = 0.5,
    every_semitone: bool = False,
    notes: Sequence[int] = (),
    lowest_note: int | None = None,
    highest_note: int | None = None,
    most_takes: int | None = None,
    glance: bool = True,
) -> Aim:
    """Return the aim for a voice: all notes it may be sent that the pitch reader can read.

    Args:
        loaded: the rig.
        voice: of the rig.
        tolerance_cents, every_semitone: of the aim.
        notes, lowest_note, highest_note: MIDI numbers as sent to the converter.
        most_takes: None chooses by the number of notes.
        glance: of the aim.

    Raises:
        MeasureError: one of ``notes`` is outside the voice's range.
    """
    converter = loaded.converters[voice.output].converter
    panel_cents = 1200.0 * voice.panel_octaves
    low = max(voice.lowest_note, int(LOWEST_SOUND_CENTS - panel_cents) // 100)
    high = min(voice.highest_note, int((hertz_to_pitch(HIGHEST_HZ) - panel_cents) // 100) - 1)
    low = low if lowest_note is None else max(voice.lowest_note, lowest_note)
    high = high if highest_note is None else min(voice.highest_note, highest_note)
    outside = [note for note in notes if not voice.lowest_note <= note <= voice.highest_note]
    if outside:
        raise MeasureError(
            f"{voice.name}: found the note {outside[0]}; allowed: {voice.lowest_note} to "
            f"{voice.highest_note}, the range of the voice"
        )
    if notes:
        low, high = min(low, *notes), max(high, *notes)
    count = high - low + 1 if every_semitone else len(notes)
    return Aim(
        voice=voice.name,
        lowest_note=low,
        highest_note=high,
        panel_octaves=voice.panel_octaves,
        zero_volt_note=converter.zero_volt_note,
        bend_range_cents=voice.bend_range_cents,
        tolerance_cents=tolerance_cents,
        every_semitone=every_semitone,
        notes=tuple(notes),
        most_takes=most_takes or max(60, 2 * count + 10),
        settle_s=ENVELOPE_SETTLE_S + converter.settle_s,
        middle_c_octave=loaded.rig.middle_c_octave,
        glance=glance,
    )


def by_listening(
    listener: TakeListener,
    aim: Aim,
    voice: Voice,
    converter_file: ConverterFile,
    *,
    on_progress: ProgressCallback | None = None,
    checks: int = 4,
) -> MeasuredVoice:
    """Measure a voice and play check notes, as now and with the new correction.

    A check note that misses is a reading: it is read again, the curve is fitted again, and
    it is checked again with fresh notes.

    Args:
        listener: plays and reads; a real input or a virtual case.
        aim: from ``aim_of``.
        voice: as it plays now.
        converter_file: of its converter.
        on_progress: called before each take.
        checks: number of check notes; 0 plays none.

    Raises:
        MeasureError: it can't be measured; nothing is changed.
    """
    plan = MeasuringPlan(aim)
    if aim.glances:
        glance = GlancePlan(aim)
        run_plan(glance, listener, on_progress)
        plan.suspect(glance.suspects())
    run_plan(plan, listener, on_progress)
    fit = plan.result()
    proof, missed = None, list[int]()
    for left in range(CHECK_ROUNDS if checks else -1, -1, -1):
        bare = replace(voice, curve=None, note_errors_cents=None)
        after = with_profile(bare, profile_of(fit, aim, None), converter_file)
        proving = ProofPlan(aim, fit, encoder(voice), encoder(after), checks, missed)
        run_plan(proving, listener, on_progress)
        proof, missed = proving.result(), proving.missed()
        if not missed or not left:
            break
        plan.suspect(missed)
        run_plan(plan, listener, on_progress)
        fit = plan.result()
    return measured_voice(fit, aim, proof, voice)


def by_readings(
    takes: Sequence[Take], aim: Aim, voice: Voice, proved: bool = False
) -> MeasuredVoice:
    """Fit readings that were not taken live: typed, or from a recording.

    Args:
        takes: the readings.
        aim: from ``aim_of``.
        voice: as it plays now.
        proved: check notes were played once, so that the curve holds between the readings.

    Raises:
        MeasureError: too few readings, or no rising pitch in them.
    """
    readings = RunReadings(replace(aim, test_bend=False))
    refused = []
    for take in takes:
        if take.pitch is None:
            refused.append((take.request.note, take.refused))
        else:
            readings.add(take)
    fit = fit_readings(
        readings,
        refused=tuple(refused),
        takes=len(takes),
        sound_s=sum(one.request.seconds for one in takes),
        proved=proved,
    )
    return measured_voice(fit, aim, None, voice)


def encoder(voice: Voice, touch_up: TouchUp = TouchUp()) -> Encode:
    """Return the voice's encoder: a pitch, panel octaves removed, to number and bend."""
    chain = Chain(voice, PLAIN, Tonight(touch_up={voice.name: touch_up}))

    def encode(pitch_cents: float) -> tuple[int, float] | None:
        rest = chain.place(pitch_cents + 1200.0 * voice.panel_octaves)
        if rest is None:
            return None
        return rest.note, chain.left_over(rest.commanded_cents, rest.note)

    return encode


def measured_voice(fit: CurveFit, aim: Aim, proof: Proof | None, voice: Voice) -> MeasuredVoice:
    """Return the result with its profile, compared with the correction in force."""
    left = _errors_left(fit, voice)
    worse = ""
    if proof is not None:
        worse = proof.why
    elif left[1] > ACCEPT_CENTS and left[1] > left[0] + BETTER_CENTS:
        worse = (
            f"the new curve misses these readings by up to {left[1]:.2f} cents, the one in use by "
            f"{left[0]:.2f}"
        )
    return MeasuredVoice(fit, profile_of(fit, aim, proof), proof, left, worse)


def _errors_left(fit: CurveFit, voice: Voice) -> tuple[float, float]:
    """Return the largest error at the readings by the correction in use and by the new one."""
    table, new_table = voice.note_errors_cents, fit.note_errors_cents()

    def missed(curve: TrackingCurve | None, errors: tuple[float, ...] | None) -> float:
        worst = 0.0
        for one in fit.readings:
            sent = 100.0 * one.note + one.bend_cents
            if one.doubtful or fit.curve.unusable_at(sent) is not None:
                continue
            expected = sent + (errors[one.note] if errors else 0.0)
            expected = expected if curve is None else curve.sounding(expected)
            worst = max(worst, abs(sent + one.cents - expected))
        return worst

    return missed(voice.curve, table), missed(fit.curve, new_table)


def profile_of(fit: CurveFit, aim: Aim, proof: Proof | None) -> Profile:
    """Return the profile of a fit, without doubtful readings."""
    checks = () if proof is None else proof.checks
    return Profile(
        voice=fit.voice,
        panel_octaves=fit.panel_octaves,
        measured=datetime.now().strftime("%Y-%m-%d %H:%M"),
        errors_follow=fit.errors_follow,
        readings=tuple(
            ProfileReading(one.cents, one.note, one.bend_cents, 0.0, one.sigma_cents)
            for one in fit.readings
            if not one.doubtful
        ),
        knots=tuple(zip(fit.curve.knots_cents, fit.curve.sounding_cents, strict=True)),
        unusable=fit.curve.unusable,
        proof=tuple(
            CheckNote(one.note, one.before_cents, one.after_cents)
            for one in checks
            if one.before_cents is not None and one.after_cents is not None
        ),
        drift_cents_per_min=round(fit.drift_cents_per_min, 3),
    )
