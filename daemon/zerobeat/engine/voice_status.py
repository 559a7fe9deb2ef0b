"""The part of a picture that is one voice's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from ..tuning.bend import bend_to_cents
from ..tuning.units import pitch_to_hertz
from .engine import Engine
from .pending import differing, wanted_words
from .settings import Hold, Tonight, TouchUp, VoiceSettings
from .voice import VoiceState

_UNTOUCHED = TouchUp()


@dataclass(frozen=True, slots=True)
class VoiceStatus:
    """One voice as it stands.

    Args:
        key: the key whose pitch it has; None while it is not heard.
        note: number last sent, and ``bend`` (signed steps) and ``bend_cents`` with it.
        bend_used: how much of the bend range is in use, 0 to 1.
        sounding_cents: the pitch it is to be heard at, above key 0; wheel,
            detune and tonight included, on its way at the time of the last event.
        glide_to_cents: where its glide leads; None without one.
        correction_cents: what tracking and touch-up add to the commanded pitch.
        unusable: why the profile can't be trusted at this pitch; "" if it can.
        still_acts: what corrects the pitch of a voice although it is played raw, in words.
        waits: the hold that changed settings wait under; "" if none wait.
        waiting: names of the settings that wait, and what is ``wanted``, in words.
    """

    name: str
    output: str
    output_there: bool
    channel: int
    gate: bool
    drone: bool
    key: int | None
    note: int | None
    bend: int | None
    bend_cents: float | None
    bend_used: float
    sounding_cents: float | None
    sounding_hz: float | None
    glide_to_cents: float | None
    correction_cents: float | None
    measured: bool
    unusable: str
    extrapolated: bool
    stale: str
    move_waits: bool
    out_of_reach: bool
    wheel_clamped: bool
    wheel_clamps: int
    keys_out_of_reach: int
    glides_out_of_reach: int
    bypass: bool
    still_acts: tuple[str, ...]
    mute: bool
    solo: bool
    measuring: bool
    touch_up: TouchUp
    scale: str
    root: int
    detune_cents: float
    detune_beats_hz: float
    hold: Hold
    waits: str
    waiting: tuple[str, ...]
    wanted: tuple[str, ...]


def voice_status(engine: Engine, state: VoiceState) -> VoiceStatus:
    """Return what a voice does now."""
    voice = state.voice
    tonight = engine.shared.tonight
    settings = state.settings
    waiting = state.waiting
    octave = engine.rig.middle_c_octave
    bend_cents, bend_used = _bent(state)
    pitch = _pitch(engine, state)
    return VoiceStatus(
        name=voice.name,
        output=voice.output,
        output_there=voice.output in engine.shared.present,
        channel=voice.channel,
        gate=state.gate,
        drone=voice.gate_ignored,
        note=state.note,
        bend=state.bend,
        measured=voice.curve is not None,
        stale=voice.stale,
        move_waits=state.move_waits,
        out_of_reach=state.out_of_reach,
        wheel_clamped=state.wheel_clamped,
        wheel_clamps=state.clamps,
        keys_out_of_reach=state.misses,
        glides_out_of_reach=state.glides_missed,
        bypass=voice.name in tonight.bypass,
        still_acts=still_acts(state, tonight),
        mute=voice.name in tonight.mute,
        solo=voice.name in tonight.solo,
        measuring=voice.name in engine.measuring.taken,
        touch_up=tonight.touch_up.get(voice.name, _UNTOUCHED),
        scale=_scale(settings),
        root=settings.root,
        detune_cents=settings.detune_cents,
        detune_beats_hz=settings.detune_beats_hz,
        hold=engine.shared.hold_of(state),
        waits="" if waiting is None else state.waiting_hold,
        waiting=() if waiting is None else differing(settings, waiting),
        wanted=() if waiting is None else wanted_words(settings, waiting, octave),
        bend_cents=bend_cents,
        bend_used=bend_used,
        key=pitch.key,
        sounding_cents=pitch.sounding_cents,
        sounding_hz=pitch.sounding_hz,
        glide_to_cents=pitch.glide_to_cents,
        correction_cents=pitch.correction_cents,
        unusable=pitch.unusable,
        extrapolated=pitch.extrapolated,
    )


def still_acts(state: VoiceState, tonight: Tonight) -> tuple[str, ...]:
    """Return what still changes what is sent to a voice that is played raw, in words."""
    voice = state.voice
    if voice.name not in tonight.bypass:
        return ()
    octaves = voice.panel_octaves
    touch_up = tonight.touch_up.get(voice.name, _UNTOUCHED)
    kept = voice.name in tonight.keep_touch_up
    found = [f"panel octaves {octaves:+d}"] if octaves else []
    found += ["touch-up"] if kept and (touch_up.offset_cents or touch_up.stretch_cents) else []
    return tuple(found)


def _scale(settings: VoiceSettings) -> str:
    if settings.keyboard_map is not None:
        return settings.keyboard_map.name
    return "continuous" if settings.scale is None else settings.scale.name


def _bent(state: VoiceState) -> tuple[float | None, float]:
    """Return the cents of a voice's bend, and the share of its range."""
    if state.bend is None:
        return None, 0.0
    cents = bend_to_cents(state.bend, state.voice.bend_range_cents)
    used = abs(cents) / state.voice.bend_range_cents
    return round(cents, 3), round(used, 4)


class _Pitch(NamedTuple):
    """The key and the pitch of a voice; without a key, nothing of it."""

    key: int | None = None
    sounding_cents: float | None = None
    sounding_hz: float | None = None
    glide_to_cents: float | None = None
    correction_cents: float | None = None
    unusable: str = ""
    extrapolated: bool = False


def _pitch(engine: Engine, state: VoiceState) -> _Pitch:
    """Return the key and the pitch of a voice that is heard."""
    held = state.playing
    if held is None or not (state.heard(engine.now_s) or state.out_of_reach):
        return _Pitch()
    key = round(held.key if state.sampled is None else state.sampled.key)
    if state.target_cents is None or state.out_of_reach:
        return _Pitch(key)
    chain = state.sounding
    sounding_cents = engine.shared.sounding_cents(state) or 0.0
    goal_cents = engine.shared.goal_cents(state) or 0.0
    raw_cents = sounding_cents - 1200.0 * chain.voice.panel_octaves
    commanded_cents = chain.command_sounding(sounding_cents)
    part = None if chain.curve is None else chain.curve.unusable_at(commanded_cents)
    return _Pitch(
        key,
        sounding_cents=round(sounding_cents, 3),
        sounding_hz=round(pitch_to_hertz(sounding_cents), 4),
        glide_to_cents=None if state.glide is None else round(goal_cents, 3),
        correction_cents=round(commanded_cents - raw_cents, 3),
        unusable="" if part is None else part.reason,
        extrapolated=chain.curve is not None and chain.curve.extrapolated(commanded_cents),
    )
