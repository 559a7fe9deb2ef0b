"""Touch-up on live audio: measures voices' drift since their profiles and corrects it.

Voices with audio inputs of their own are read side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from ..engine.settings import Voice
from ..errors import MeasureError
from ..measure.pitch.reader import REASONS
from ..measure.pitch.take import Take, TakeRequest
from ..text import counted
from ..tuning.units import hertz_to_pitch
from . import touchup
from .audio_listener import LiveListener, apart, side_by_side
from .measuring_session import MeasuringSession
from .touchup import DriftSinceProfile

TOUCH_UP_TAKE_S = 0.35
TOUCH_UP_SETTLE_S = 0.1
LOWEST_REFERENCE_HZ = 55.0  # of a reference: lower ones need longer takes
MOST_TOGETHER = 8  # voices on one input
# Two semitones or more between any two, no octave among them.
TOGETHER_SEMITONES = (0, 2, 4, 6, 8, 10, 13, 15)
LOW_SHARE, HIGH_SHARE = 0.25, 0.75  # positions of the two notes in a voice's usable range


def side_by_side_groups(session: MeasuringSession, names: Sequence[str]) -> list[list[str]]:
    """Return voices in groups whose members have different audio inputs."""
    groups: list[list[str]] = []
    for name in names:
        source = session.input_of(name)
        for group in groups:
            if source not in [session.input_of(other) for other in group]:
                group.append(name)
                break
        else:
            groups.append([name])
    return groups


def together_groups(session: MeasuringSession, names: Sequence[str]) -> list[list[str]]:
    """Return voices in groups that are read at once, up to ``MOST_TOGETHER`` on one input.

    Voices that are struck, heard with the gate closed or read in a short strike are on one
    input read one by one, as what else sounds there can't be chosen.
    """
    groups: list[list[str]] = []
    for name in names:
        source = session.input_of(name)
        for group in groups:
            there = [other for other in group if session.input_of(other) == source]
            if not there or (
                len(there) < MOST_TOGETHER
                and all(_may_sound_together(session, one) for one in (name, *there))
            ):
                group.append(name)
                break
        else:
            groups.append([name])
    return groups


def _may_sound_together(session: MeasuringSession, name: str) -> bool:
    return session.listening(name).excite != "strike" and not session.always_heard(name)


def notes_for(voice: Voice) -> tuple[int, int]:
    """Return a reference and a check note: in the usable range, far apart, not too low.

    Raises:
        MeasureError: the voice's usable range is too narrow.
    """
    curve = voice.curve
    low_cents = hertz_to_pitch(LOWEST_REFERENCE_HZ) - 1200.0 * voice.panel_octaves
    usable = [
        note
        for note in range(voice.lowest_note, voice.highest_note + 1)
        if 100.0 * note >= low_cents
        and (curve is None or curve.unusable_at(100.0 * note) is None)
        and (curve is None or not curve.extrapolated(100.0 * note))
    ]
    if len(usable) < 2 or 100.0 * (usable[-1] - usable[0]) < touchup.LEAST_APART_CENTS:
        raise MeasureError(f"{voice.name}: found too few usable notes; measure it again")
    last = len(usable) - 1
    first, second = usable[round(LOW_SHARE * last)], usable[round(HIGH_SHARE * last)]
    if 100.0 * (second - first) < touchup.LEAST_APART_CENTS:
        first, second = usable[0], usable[-1]
    return first, second


def touch_up_voices(
    session: MeasuringSession,
    names: Sequence[str],
    show: Callable[[str], None],
    keep: bool = True,
) -> dict[str, DriftSinceProfile | str]:
    """Measure voices' drift since their profiles and send it to the daemon as touch-up.

    Args:
        session: with their inputs open.
        names: of the voices.
        show: shows a progress line.
        keep: send the touch-ups; else only measure.

    Returns:
        By voice: the drift, or one line that says why there is none.
    """
    found: dict[str, DriftSinceProfile | str] = {}
    listener = LiveListener(session)
    for group in together_groups(session, names):
        for name in group:
            session.solo_by_hand(name)
        listener.hear_background(group)
        show(f"touch-up: {', '.join(group)}"[:79])
        found |= read_drift(session, listener, group)
    session.release()
    if listener.read_alone:
        session.say(
            f"{counted(listener.read_alone, 'note')} could not be told from the other voices on "
            "that input: played again alone"
        )
    found = {name: found[name] for name in names}
    session.say(
        f"{len(names)} voice{'s' if len(names) != 1 else ''} read, "
        f"{listener.sound_s:.1f} s of sound"
    )
    if keep:
        for one in found.values():
            if isinstance(one, DriftSinceProfile):
                send_touch_up(session, one)
    return found


def read_drift(
    session: MeasuringSession, listener: LiveListener, names: Sequence[str]
) -> dict[str, DriftSinceProfile | str]:
    """Return the drift of voices that are read side by side, or why it can't be measured."""
    pairs: dict[str, tuple[TakeRequest, ...]] = {}
    found: dict[str, DriftSinceProfile | str] = {}
    shared = len({session.input_of(name) for name in names}) < len(names)
    for step, name in enumerate(names):
        voice = session.voice(name)
        try:
            reference, check = notes_for(voice)
        except MeasureError as error:
            found[name] = str(error)
            continue
        asked = touchup.touch_up_requests(
            name,
            reference,
            check,
            voice.curve,
            voice.panel_octaves,
            TOUCH_UP_TAKE_S,
            TOUCH_UP_SETTLE_S,
        )
        if shared:
            pairs[name] = _staggered(voice, asked, step, len(names))
        else:
            pairs[name] = tuple(_moved_aside(voice, one, step) for one in asked)
    takes = [listen_apart(session, listener, [pair[i] for pair in pairs.values()]) for i in (0, 1)]
    for name in pairs:
        voice = session.voice(name)
        try:
            found[name] = _drift_of(voice, takes[0][name], takes[1][name])
        except MeasureError as error:
            found[name] = str(error)
    for name in pairs:
        session.release(name)
    return {name: found[name] for name in names}


def _moved_aside(voice: Voice, request: TakeRequest, step: int) -> TakeRequest:
    """Return a request moved some semitones towards the middle of the range."""
    middle = (voice.lowest_note + voice.highest_note) / 2.0
    return side_by_side(request, step if request.note < middle else -step)


def _staggered(
    voice: Voice, requests: Sequence[TakeRequest], step: int, count: int
) -> tuple[TakeRequest, ...]:
    """Return both requests moved the same way, so that voices on one input play notes apart."""
    steps = TOGETHER_SEMITONES[: min(count, MOST_TOGETHER)]
    by = steps[step % len(steps)] - round(sum(steps) / len(steps))
    low = max(voice.lowest_note - requests[0].note, -requests[0].note)
    high = voice.highest_note - requests[-1].note
    by = min(max(by, low), high)
    return tuple(_moved(voice, one, by) for one in requests)


def _moved(voice: Voice, request: TakeRequest, by: int) -> TakeRequest:
    """Return a request moved by semitones, its pitch expected by the profile there."""
    moved = side_by_side(request, by)
    curve = voice.curve
    sounding = 100.0 * moved.note if curve is None else curve.sounding(100.0 * moved.note)
    return replace(moved, expected_cents=sounding + 1200.0 * voice.panel_octaves)


def listen_apart(
    session: MeasuringSession, listener: LiveListener, requests: Sequence[TakeRequest]
) -> dict[str, Take]:
    """Return the take of each voice; voices that would pull each other are read in turn."""
    left = list(requests)
    takes: dict[str, Take] = {}
    while left:
        chosen = [left[i] for i in apart(one.expected_cents or 0.0 for one in left)]
        left = [one for one in left if one not in chosen]
        sent = [_without_number_error(session.voice(one.voice), one) for one in chosen]
        for asked, one in zip(chosen, listener.listen_together(sent), strict=True):
            takes[asked.voice] = replace(one, request=asked)
        if left:
            for request in chosen:
                session.release(request.voice)
    return takes


def _without_number_error(voice: Voice, request: TakeRequest) -> TakeRequest:
    """Return a request with the converter's error of its number removed, where it has one."""
    errors = voice.note_errors_cents
    return request if errors is None else replace(request, bend_cents=-errors[request.note])


def _drift_of(voice: Voice, reference: Take, check: Take) -> DriftSinceProfile:
    for take in (reference, check):
        if take.pitch is None:
            reason = take.refused
            raise MeasureError(
                f"{voice.name}: {reason.replace('_', ' ')}: {REASONS.get(reason, reason)}"
            )
    return touchup.drift_since_profile(reference, check, voice.curve, voice.panel_octaves)


def send_touch_up(session: MeasuringSession, found: DriftSinceProfile) -> None:
    """Send a touch-up to the daemon, referred to a whole note number."""
    reference = min(max(round(found.reference_cents / 100.0), 0), 127)
    moved = found.stretch_cents * (100.0 * reference - found.reference_cents) / 1200.0
    session.client.ask(
        "touch_up",
        voice=found.voice,
        offset_cents=round(found.offset_cents + moved, 3),
        stretch_cents=round(found.stretch_cents, 3),
        reference=reference,
    )
