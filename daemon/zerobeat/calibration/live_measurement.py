"""Measures voices on live audio: identity, plan, fit, check notes, and then the profile.

Voices with inputs of their own are read side by side; up to eight on one input are read from
one take, on notes of their own, but for what must be heard alone. A voice whose run is
incomplete, or whose check notes are worse than before, keeps its profile.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from ..config.voice_field import with_profile
from ..console.live_line import LiveLine
from ..engine.settings import TouchUp
from ..errors import MeasureError, VoiceMeasureError
from ..measure.curve.fit_result import Aim, CurveFit
from ..measure.curve.glance import GlancePlan
from ..measure.curve.plan import MeasuringPlan
from ..measure.curve.proof import CHECK_ROUNDS, ProofPlan
from ..measure.curve.readable_notes import near_mains
from ..measure.pitch.reader import REASONS
from ..measure.pitch.take import (
    MOST_REFUSED,
    MOST_REFUSED_LATER,
    ChoosingPlan,
    Progress,
    Take,
    TakePlan,
    TakeRequest,
)
from ..text import counted
from ..tuning.units import name_of_note
from .audio_listener import LiveListener, apart
from .describe_fit import measured_lines
from .identity import prove
from .live_touchup import MOST_TOGETHER, TOGETHER_SEMITONES, together_groups
from .measurement import MeasuredVoice, encoder, measured_voice, profile_of
from .measuring_session import MeasuringSession
from .profile_persistence import keep_profile

UNTOUCHED = "the profile in force is unchanged"
UNISON_CENTS = 6000.0  # pitch at which voices that were read side by side are compared
UNISON_S = 0.5
# Semitones from the middle of the range, the first voice there.
TOGETHER_STEPS = tuple(step - TOGETHER_SEMITONES[3] for step in (6, 0, 2, 4, 8, 10, 13, 15))
APART_CENTS = 150.0  # between voices that are read from one take
MakeAim = Callable[[MeasuringSession, str], Aim]


@dataclass(frozen=True, slots=True)
class MeasureOptions:
    """The player's options besides the aim.

    Attributes:
        checks: number of check notes; 0 plays none.
        accept: keep a profile even if it is worse than the one in force.
        dry_run: keep nothing.
    """

    checks: int = 4
    accept: bool = False
    dry_run: bool = False


def measure_live(
    session: MeasuringSession,
    names: Sequence[str],
    make_aim: MakeAim,
    options: MeasureOptions,
    line: LiveLine,
) -> dict[str, MeasuredVoice | str]:
    """Measure voices, show the results, and keep their profiles.

    Args:
        session: with the inputs of the voices open.
        names: of the voices.
        make_aim: returns the aim for a voice.
        options: the player's options.
        line: shows progress and results.

    Returns:
        By voice: the result that was kept, or one line that says why none was.

    Raises:
        MeasureError: the whole run ends: the player stopped it, or the daemon refuses.
        AudioError: an audio device was unplugged.
    """
    found: dict[str, MeasuredVoice | str] = {}
    for group in together_groups(session, names):
        listener = LiveListener(session)
        session.caution(group)
        measured = _measure_group(session, listener, group, make_aim, options, line)
        session.release()
        for name, result in measured.items():
            one = result
            if not isinstance(one, str):
                line.say(source_line(session, listener, name))
                dated = f"{one.profile.measured}, {listener.rates_hz[name]:g} Hz"
                one = replace(one, profile=replace(one.profile, measured=dated))
            found[name] = (
                one
                if isinstance(one, str)
                else show_and_keep(session, one, make_aim(session, name), options, line)
            )
            if isinstance(found[name], str):
                print(f"{found[name]}; {UNTOUCHED}", file=sys.stderr, flush=True)
        if len(group) > 1:
            _check_unison(
                session,
                listener,
                [name for name in group if not isinstance(found[name], str)],
                line,
            )
    return found


def _measure_group(
    session: MeasuringSession,
    listener: LiveListener,
    group: list[str],
    make_aim: MakeAim,
    options: MeasureOptions,
    line: LiveLine,
) -> dict[str, MeasuredVoice | str]:
    failed: dict[str, str] = {}
    for name in group:
        session.solo_by_hand(name)
    listener.hear_background(group)
    for name in group:
        try:
            prove(session, listener, name)
        except MeasureError as error:
            _note_failure(error, name, failed)
    aims = {
        name: _with_own_reference(make_aim(session, name), place)
        for place, name in enumerate(group)
        if name not in failed
    }
    plans = {name: MeasuringPlan(aim) for name, aim in aims.items()}
    _glance(plans, session, listener, line)
    failed |= run_together(plans, session, listener, line.show)
    fits = _fits(plans, failed)
    provings: dict[str, ProofPlan] = {}
    missed: dict[str, list[int]] = {}
    for left in range(CHECK_ROUNDS if options.checks else -1, -1, -1):
        chosen = missed or fits
        fresh = {
            name: proof_plan(session, aims[name], fits[name], options.checks, missed.get(name, ()))
            for name in chosen
            if name in fits
        }
        failed |= run_together(fresh, session, listener, line.show)
        provings |= fresh
        missed = {name: one.missed() for name, one in fresh.items() if one.missed()}
        missed = {name: notes for name, notes in missed.items() if name not in failed}
        if not missed or not left:
            break
        for name, notes in missed.items():
            line.say(f"{name}: {counted(len(notes), 'check note')} missed; read again")
            plans[name].suspect(notes)
        again = {name: plans[name] for name in missed}
        failed |= run_together(again, session, listener, line.show)
        fits |= _fits(again, failed)
    line.clear()
    return {
        name: failed[name]
        if name in failed
        else measured_voice(
            fits[name],
            aims[name],
            provings[name].result() if name in provings else None,
            session.voice(name),
        )
        for name in group
    }


def _with_own_reference(aim: Aim, place: int) -> Aim:
    """Return the aim with a reference of its own, so that voices in a group play notes apart."""
    if not place or aim.reference_note is not None:
        return aim
    middle = (aim.lowest_note + aim.highest_note) // 2 + TOGETHER_STEPS[place % MOST_TOGETHER]
    panel = 1200.0 * aim.panel_octaves
    near = [
        note
        for note in sorted(
            range(aim.lowest_note, aim.highest_note), key=lambda note: abs(note - middle)
        )
        if not near_mains(100.0 * note + panel, aim.mains_hz)
    ]
    return replace(aim, reference_note=near[0]) if near else aim


def _glance(
    plans: Mapping[str, MeasuringPlan],
    session: MeasuringSession,
    listener: LiveListener,
    line: LiveLine,
) -> None:
    """Glance at every note of each voice, and let its plan read those that leave the curve."""
    glances = {}
    for index, (name, plan) in enumerate(plans.items()):
        if not plan.aim.glances:
            continue
        if session.listening(name).excite == "strike":
            line.say(f"{name}: is struck; single wrong notes are found by --every-semitone")
            continue
        # Each begins at a note of its own, so that those on one input stay apart.
        glances[name] = GlancePlan(plan.aim, TOGETHER_STEPS[index % MOST_TOGETHER])
    # What can't be read here is named by the plan.
    run_together(glances, session, listener, line.show, MOST_REFUSED_LATER)
    for name, glance in glances.items():
        suspects = glance.suspects()
        if suspects:
            octave = plans[name].aim.middle_c_octave
            notes = ", ".join(name_of_note(note, octave) for note in suspects)
            line.say(f"{name}: at a glance off the curve, read again: {notes}")
        plans[name].suspect(suspects)


def _fits(plans: Mapping[str, MeasuringPlan], failed: dict[str, str]) -> dict[str, CurveFit]:
    """Return the fits of plans that are done; failures are noted."""
    fits: dict[str, CurveFit] = {}
    for name, plan in plans.items():
        try:
            if name not in failed:
                fits[name] = plan.result()
        except MeasureError as error:
            _note_failure(error, name, failed)
    return fits


def _note_failure(error: MeasureError, name: str, failed: dict[str, str]) -> None:
    """Record a voice's own failure, so that the others go on; raise any other error."""
    if not isinstance(error, VoiceMeasureError) or error.voice != name:
        raise error
    failed[name] = str(error)


def run_together(
    plans: Mapping[str, TakePlan],
    session: MeasuringSession,
    listener: LiveListener,
    show: Callable[[str], None],
    most_refused: int = MOST_REFUSED,
) -> dict[str, str]:
    """Run several plans on one listener until all are done; return the failures by voice.

    Only pitches that may sound side by side are played at once; the other plans
    wait for the next round.
    """
    failed: dict[str, str] = {}
    refused = dict.fromkeys(plans, 0)
    while True:
        asked = {
            name: request
            for name, plan in plans.items()
            if name not in failed and (request := plan.next()) is not None
        }
        if not asked:
            return failed
        waiting = sorted(asked, key=lambda name: plans[name].progress().takes)
        chosen = _side_by_side(session, listener, plans, asked, waiting)
        if len(plans) > 1:
            for name in plans.keys() - set(chosen):
                session.release(name)
        show(_progress([plans[name].progress() for name in asked]))
        for take in listener.listen_together([asked[name] for name in chosen]):
            name = take.request.voice
            refused[name] = 0 if take.pitch is not None else refused[name] + 1
            try:
                plans[name].add(take)
            except MeasureError as error:
                failed[name] = str(error)
            if refused[name] >= most_refused:
                failed[name] = _unreadable_line(take)
            if name in failed:
                session.release(name)


def _side_by_side(
    session: MeasuringSession,
    listener: LiveListener,
    plans: Mapping[str, TakePlan],
    asked: dict[str, TakeRequest],
    waiting: Sequence[str],
) -> list[str]:
    """Return the voices that are played at once, the first that waits among them.

    On one input a voice is heard alone where its pitch is not known well enough: in its
    first reading, and at a wide bend, which a wrong range puts anywhere.
    """
    chosen: list[str] = []
    pitches: list[float] = []
    inputs: dict[str, bool] = {}  # that are in use, and whether several may be heard on it
    for name in waiting:
        source, plan = session.input_of(name), plans[name]
        known = plan.progress()
        shares = (
            known.takes > known.refused
            and source not in listener.one_by_one
            and not session.always_heard(name)
        )
        there = [p for p, n in zip(pitches, chosen, strict=True) if session.input_of(n) == source]
        if len(there) == MOST_TOGETHER or (there and not (shares and inputs[source])):
            continue

        def fits(pitch: float, there: list[float] = there) -> bool:
            if any(abs(pitch - other) < APART_CENTS for other in there):
                return False
            return len(apart([*pitches, pitch])) > len(pitches)

        if isinstance(plan, ChoosingPlan):
            plan.prefer(fits)
            asked[name] = plan.next() or asked[name]
        known_pitch = asked[name].expected_cents is not None
        if (there and not known_pitch) or not fits(_sounding(asked[name])):
            continue
        inputs[source] = shares and known_pitch
        chosen.append(name)
        pitches.append(_sounding(asked[name]))
    return chosen


def _sounding(request: TakeRequest) -> float:
    return request.commanded_cents if request.expected_cents is None else request.expected_cents


def _unreadable_line(take: Take) -> str:
    reason = take.refused
    return (
        f"{take.request.voice}: found {MOST_REFUSED} takes in a row that can't be read, the last "
        f"at {name_of_note(take.request.note)}: {reason.replace('_', ' ')}: "
        f"{REASONS.get(reason, reason)}"
    )


def _progress(each: Sequence[Progress]) -> str:
    if len(each) == 1:
        return each[0].line()
    return "; ".join(f"{one.voice} {counted(one.takes, 'take')}" for one in each)[:79]


# ---------------------------------------------------------------- proof and profile


def proof_plan(
    session: MeasuringSession, aim: Aim, fit: CurveFit, checks: int, also: Sequence[int]
) -> ProofPlan:
    voice = session.voice(aim.voice)
    shown = next(one for one in session.client.status()["voices"] if one["name"] == aim.voice)
    bare = replace(voice, curve=None, note_errors_cents=None)
    after = with_profile(bare, profile_of(fit, aim, None), session.loaded.converters[voice.output])
    before = encoder(voice, TouchUp(**shown["touch_up"]))
    return ProofPlan(aim, fit, before, encoder(after), checks, also)


def source_line(session: MeasuringSession, listener: LiveListener, name: str) -> str:
    """Return a line on a voice's audio device, whose clock scales every reading (A4, A11)."""
    source = session.input_of(name)
    ppm = session.loaded.audio_inputs[source].clock_ppm
    return (
        f"{name}: read from {session.audio.device_of(source)[:30]} "
        f"at {listener.rates_hz[name]:g} Hz; its clock {ppm:+g} ppm"
    )


def show_and_keep(
    session: MeasuringSession,
    found: MeasuredVoice,
    aim: Aim,
    options: MeasureOptions,
    line: LiveLine,
) -> MeasuredVoice | str:
    """Show a result and send its profile to the daemon, unless it is worse than the old one."""
    name = found.fit.voice
    for text in measured_lines(found, aim):
        line.say(text)
    if options.dry_run:
        return found
    if found.worse and not options.accept:
        return f"{name}: not kept: {found.worse}; --accept keeps it"
    line.say(keep_profile(session.loaded, found.profile, session.socket, session.store))
    return found


def _check_unison(
    session: MeasuringSession, listener: LiveListener, names: list[str], line: LiveLine
) -> None:
    """Play voices that were read side by side at one pitch at once, corrected, and show errors."""
    by_input = {session.input_of(name): name for name in names}
    names = list(by_input.values())  # what sounds in unison on one input can't be told apart
    if len(names) < 2:
        return
    asked = [TakeRequest(name, 0, 0.0, UNISON_S, "check", 0.1, UNISON_CENTS) for name in names]
    takes = listener.listen_corrected(asked)
    session.release()
    cents = {
        one.request.voice: one.sounding_cents - UNISON_CENTS
        for one in takes
        if one.pitch is not None
    }
    shown = ", ".join(f"{name} {off:+z.2f}" for name, off in cents.items())
    line.say(
        f"in unison at {name_of_note(60, session.loaded.rig.middle_c_octave)}, cents off: {shown}"
    )
