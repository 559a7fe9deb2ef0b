"""Measures voices on live audio: identity, plan, fit, check notes, and only then a profile.

Voices with inputs of their own are read side by side. A voice whose run is not
whole, or whose check notes are worse than before, keeps the profile it has.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from ..config.voice_field import with_profile
from ..console.live_line import LiveLine
from ..engine.settings import TouchUp
from ..errors import MeasureError
from ..measure.curve.fit_result import Aim, CurveFit
from ..measure.curve.plan import MeasuringPlan
from ..measure.curve.proof import ProofPlan
from ..measure.pitch.reader import REASONS
from ..measure.pitch.take import MOST_REFUSED, Progress, Take, TakePlan, TakeRequest
from ..tuning.units import name_of_note
from .audio_listener import LiveListener, apart
from .describe_fit import measured_lines
from .identity import prove
from .live_touchup import side_by_side_groups
from .measurement import MeasuredVoice, encoder, measured_voice, profile_of
from .measuring_session import MeasuringSession
from .profile_persistence import keep_profile

UNTOUCHED = "the profile in force is unchanged"
UNISON_CENTS = 6000.0  # where voices that were read side by side are heard together
UNISON_S = 0.5
MakeAim = Callable[[MeasuringSession, str], Aim]


@dataclass(frozen=True, slots=True)
class MeasureOptions:
    """What the player asks besides the aim.

    Attributes:
        checks: how many check notes; 0 leaves them out.
        accept: keep it even if it is worse than what is there.
        dry_run: keep nothing.
    """

    checks: int = 4
    accept: bool = False
    dry_run: bool = False


def measure_live(
    session: MeasuringSession,
    names: Sequence[str],
    make_aim: MakeAim,
    wish: MeasureOptions,
    line: LiveLine,
) -> dict[str, MeasuredVoice | str]:
    """Measure voices, show what was found, and keep their profiles.

    Args:
        room: with the inputs of the voices open.
        names: of the voices.
        make_aim: what is to be measured of a voice.
        wish: what else is asked.
        line: shows progress and results.

    Returns:
        By voice: what was measured and kept, or one line that says why nothing was.

    Raises:
        MeasureError: the run can't go on at all: stopped, cable out, daemon gone.
    """
    found: dict[str, MeasuredVoice | str] = {}
    for group in side_by_side_groups(session, names):
        listener = LiveListener(session)
        session.caution(group)
        measured = _measure_group(session, listener, group, make_aim, wish, line)
        session.release()
        for name, result in measured.items():
            one = result
            if not isinstance(one, str):
                line.say(_source_line(session, listener, name))
                dated = f"{one.profile.measured}, {listener.rates_hz[name]:g} Hz"
                one = replace(one, profile=replace(one.profile, measured=dated))
            found[name] = (
                one
                if isinstance(one, str)
                else _show_and_keep(session, one, make_aim(session, name), wish, line)
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
    wish: MeasureOptions,
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
    aims = {name: make_aim(session, name) for name in group if name not in failed}
    plans = {name: MeasuringPlan(aim) for name, aim in aims.items()}
    failed |= run_together(plans, session, listener, line.show)
    fits: dict[str, CurveFit] = {}
    for name, plan in plans.items():
        try:
            if name not in failed:
                fits[name] = plan.result()
        except MeasureError as error:
            _note_failure(error, name, failed)
    provings = {
        name: _proof_plan(session, aims[name], fit, wish.checks)
        for name, fit in fits.items()
        if wish.checks
    }
    failed |= run_together(provings, session, listener, line.show)
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


def _note_failure(error: MeasureError, name: str, failed: dict[str, str]) -> None:
    """Note that a voice failed for a reason of its own, so that others go on; else raise."""
    if not str(error).startswith(f"{name}: "):
        raise error
    failed[name] = str(error)


def run_together(
    plans: Mapping[str, TakePlan],
    session: MeasuringSession,
    listener: LiveListener,
    show: Callable[[str], None],
) -> dict[str, str]:
    """Go between several plans and the listener until none asks; return who failed, and why.

    Only pitches that are apart sound at once; the others wait for the next round.
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
        chosen = [waiting[i] for i in apart(_sounding(asked[name]) for name in waiting)]
        if len(plans) > 1:
            for name in plans.keys() - set(chosen):
                session.release(name)
        show(_progress([plans[name].progress() for name in asked]))
        for heard in listener.listen_many([asked[name] for name in chosen]):
            name = heard.request.voice
            refused[name] = 0 if heard.pitch is not None else refused[name] + 1
            try:
                plans[name].add(heard)
            except MeasureError as error:
                failed[name] = str(error)
            if refused[name] >= MOST_REFUSED:
                failed[name] = _unreadable_line(heard)
            if name in failed:
                session.release(name)


def _sounding(request: TakeRequest) -> float:
    return request.commanded_cents if request.expected_cents is None else request.expected_cents


def _unreadable_line(heard: Take) -> str:
    reason = heard.refused
    return (
        f"{heard.request.voice}: found {MOST_REFUSED} takes in a row that can't be read, the last "
        f"at {name_of_note(heard.request.note)}: {reason.replace('_', ' ')}: "
        f"{REASONS.get(reason, reason)}"
    )


def _progress(each: Sequence[Progress]) -> str:
    if len(each) == 1:
        return each[0].line()
    return "; ".join(f"{one.voice} {one.takes} takes" for one in each)[:79]


# ---------------------------------------------------------------- proof and keeping


def _proof_plan(session: MeasuringSession, aim: Aim, fit: CurveFit, checks: int) -> ProofPlan:
    voice = session.voice(aim.voice)
    shown = next(one for one in session.client.status()["voices"] if one["name"] == aim.voice)
    bare = replace(voice, curve=None, note_errors_cents=None)
    after = with_profile(bare, profile_of(fit, aim, None), session.loaded.converters[voice.output])
    before = encoder(voice, TouchUp(**shown["touch_up"]))
    return ProofPlan(aim, fit, before, encoder(after), checks)


def _source_line(session: MeasuringSession, listener: LiveListener, name: str) -> str:
    """Return what a voice was read from; absolute pitch is by that clock alone (A4, A11)."""
    source = session.input_of(name)
    ppm = session.loaded.audio_inputs[source].clock_ppm
    return (
        f"{name}: read from {session.audio.device_of(source)[:30]} at {listener.rates_hz[name]:g} Hz; "
        f"its clock {ppm:+g} ppm"
    )


def _show_and_keep(
    session: MeasuringSession, found: MeasuredVoice, aim: Aim, wish: MeasureOptions, line: LiveLine
) -> MeasuredVoice | str:
    """Show what was found and hand it to the daemon, unless it is worse than what is there."""
    name = found.fit.voice
    for text in measured_lines(found, aim):
        line.say(text)
    if wish.dry_run:
        return found
    if found.worse and not wish.accept:
        return f"{name}: not kept: {found.worse}; --accept keeps it"
    line.say(keep_profile(session.loaded, found.profile, session.socket))
    return found


def _check_unison(
    session: MeasuringSession, listener: LiveListener, names: list[str], line: LiveLine
) -> None:
    """Prove voices that were read side by side in unison: corrected, on one pitch, all at once."""
    if len(names) < 2:
        return
    asked = [TakeRequest(name, 0, 0.0, UNISON_S, "check", 0.1, UNISON_CENTS) for name in names]
    heard = listener.listen_corrected(asked)
    session.release()
    cents = {
        one.request.voice: one.sounding_cents - UNISON_CENTS
        for one in heard
        if one.pitch is not None
    }
    shown = ", ".join(f"{name} {off:+.2f}" for name, off in cents.items())
    line.say(
        f"in unison at {name_of_note(60, session.loaded.rig.middle_c_octave)}, cents off: {shown}"
    )
