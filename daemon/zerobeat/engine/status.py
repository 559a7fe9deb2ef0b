"""A frozen picture of what plays, what waits and what is wrong.

``picture`` reads engine and wire and changes nothing; it is built on request.
It holds no time, so that two pictures are equal when nothing has happened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from ..tuning.bend import bend_to_cents
from ..tuning.units import pitch_to_hertz
from .chain import Chain
from .engine import Engine
from .settings import Hold, TouchUp, VoiceSettings
from .voice import VoiceState
from .waits import (
    ClockStatus,
    clock_status,
    differing,
    ends,
    trigger_words,
    wanted_words,
)
from .wire import Wire

_UNTOUCHED = TouchUp()


@dataclass(frozen=True, slots=True)
class VoiceStatus:
    """One voice as it stands.

    Args:
        key: the key whose pitch it has; None while it is not heard.
        note: number last sent, and ``bend`` (signed steps) and ``bend_cents`` with it.
        bend_used: how much of the bend range is in use, 0 to 1.
        sounding_cents: the pitch it is to be heard at, above key 0; wheel,
            detune and tonight included.
        correction_cents: what tracking and touch-up add to the commanded pitch.
        unusable: why the profile can't be trusted at this pitch; "" if it can.
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
    bypass: bool
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


@dataclass(frozen=True, slots=True)
class OutputStatus:
    """One output: is it there, and what went over its cable.

    ``bytes_per_second`` is the budget of its cable, None without one;
    ``waiting`` counts bends and controllers that wait for an idle cable.
    """

    name: str
    there: bool
    bytes_sent: int
    bytes_per_second: int | None
    thinned: int
    waiting: int


@dataclass(frozen=True, slots=True)
class SceneWaiting:
    """A scene's own part that has not landed: zones, hold, triggers."""

    name: str
    hold: Hold


@dataclass(frozen=True, slots=True)
class Status:
    """All that a console shows."""

    scene: str
    program: int | None  # of the scene, as on the wire
    program_numbers_from: int
    scenes: tuple[str, ...]
    set_list: tuple[str, ...]
    position: int | None  # of the scene that waits, else plays, in the set list; from 0
    unsaved: bool
    hold: Hold
    triggers: tuple[str, ...]
    waits: SceneWaiting | None
    ends: tuple[str, ...]  # what ends the wait: "the next note", "bar 3"; () if nothing waits
    clock: ClockStatus | None
    root_keys: tuple[str, ...]  # voices whose root the next key sets, instead of sounding
    concert_a_hz: float
    transpose_semitones: int
    middle_c_octave: int
    measuring: tuple[str, ...]  # voices that are played to be measured
    presses: int  # keys that went down so far, of playing inputs
    stage_lock: bool
    feet: tuple[str, ...]  # inputs that play no notes
    foot: str  # the last thing a foot did, or why it was refused
    foot_refused: bool
    wheel_cents: dict[str, float]  # by input: its wheel, the one that is furthest from rest
    voices: tuple[VoiceStatus, ...]
    outputs: tuple[OutputStatus, ...]
    dropped: dict[str, int]  # messages not passed on, by class
    faults: int


def picture(engine: Engine, wire: Wire) -> Status:
    """Return what engine and wire have now."""
    live = engine.live
    counts = dict(sorted(engine.counts.items()))
    faults = counts.pop("faults", 0)
    waits = live.waiting_scene
    return Status(
        scene=live.scene.name,
        program=live.scene.program,
        program_numbers_from=engine.rig.program_numbers_from,
        scenes=tuple(live.bank),
        set_list=engine.scenes.set_list,
        position=engine.scenes.position,
        unsaved=live.unsaved,
        hold=live.scene.hold,
        triggers=tuple(trigger_words(trigger) for trigger in live.scene.triggers),
        waits=None if waits is None else SceneWaiting(waits.name, live.waiting_hold),
        ends=ends(engine),
        clock=clock_status(engine),
        root_keys=tuple(name for name in engine.states if name in live.root_voices),
        concert_a_hz=live.tonight.concert_a_hz,
        transpose_semitones=live.tonight.transpose_semitones,
        middle_c_octave=engine.rig.middle_c_octave,
        measuring=tuple(engine.measuring.taken),
        presses=engine.keyboard.presses,
        stage_lock=engine.rig.stage_lock,
        feet=tuple(source.name for source in engine.rig.inputs if not source.plays),
        foot=engine.pedals.said,
        foot_refused=engine.pedals.refused,
        wheel_cents=_wheels(engine),
        voices=tuple(_voice(engine, state) for state in engine.states.values()),
        outputs=tuple(_output(engine, wire, output.name) for output in engine.rig.outputs),
        dropped=counts,
        faults=faults,
    )


def _wheels(engine: Engine) -> dict[str, float]:
    found: dict[str, float] = {}
    for (name, _), cents in engine.player.wheels.items():
        if abs(cents) >= abs(found.get(name, 0.0)):
            found[name] = round(cents, 2)
    return found


def _output(engine: Engine, wire: Wire, name: str) -> OutputStatus:
    try:
        sent, thinned, waiting = wire.load(name)
    except KeyError:  # a reload is on its way and the wire has not got it yet
        sent = thinned = waiting = 0
    budget = engine.output(name).converter.bytes_per_second
    return OutputStatus(name, name in engine.links.present, sent, budget, thinned, waiting)


# ---------------------------------------------------------------- one voice


def _voice(engine: Engine, state: VoiceState) -> VoiceStatus:
    voice = state.voice
    tonight = engine.live.tonight
    settings = state.settings
    waiting = state.waiting
    octave = engine.rig.middle_c_octave
    return VoiceStatus(
        name=voice.name,
        output=voice.output,
        output_there=voice.output in engine.links.present,
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
        bypass=voice.name in tonight.bypass,
        mute=voice.name in tonight.mute,
        solo=voice.name in tonight.solo,
        measuring=voice.name in engine.measuring.taken,
        touch_up=tonight.touch_up.get(voice.name, _UNTOUCHED),
        scale=_scale(settings),
        root=settings.root,
        detune_cents=settings.detune_cents,
        detune_beats_hz=settings.detune_beats_hz,
        hold=engine.live.hold_of(state),
        waits="" if waiting is None else state.waiting_hold,
        waiting=() if waiting is None else differing(settings, waiting),
        wanted=() if waiting is None else wanted_words(settings, waiting, octave),
        **_bent(state),
        **_pitch(engine, state),
    )


def _scale(settings: VoiceSettings) -> str:
    if settings.keyboard_map is not None:
        return settings.keyboard_map.name
    return "continuous" if settings.scale is None else settings.scale.name


def _bent(state: VoiceState) -> dict[str, Any]:
    if state.bend is None:
        return {"bend_cents": None, "bend_used": 0.0}
    cents = bend_to_cents(state.bend, state.voice.bend_range_cents)
    used = abs(cents) / state.voice.bend_range_cents
    return {"bend_cents": round(cents, 3), "bend_used": round(used, 4)}


def _pitch(engine: Engine, state: VoiceState) -> dict[str, Any]:
    """Return the key and the pitch of a voice that is heard; without one, nothing of it."""
    held = state.playing
    shown: dict[str, Any] = {
        "key": None, "sounding_cents": None, "sounding_hz": None, "correction_cents": None,
        "unusable": "", "extrapolated": False,
    }  # fmt: skip
    if held is None or not (state.heard(engine.now_s) or state.out_of_reach):
        return shown
    shown["key"] = held.key if state.sampled is None else state.sampled.key
    if state.target_cents is None or state.out_of_reach:
        return shown
    chain = state.sounding
    wheel_cents = engine.player.wheels.get(held.source, 0.0)
    smooth_cents = wheel_cents if chain.settings.wheel == "smooth" else 0.0
    target_cents = state.target_cents + smooth_cents
    sounding_cents = _uncorrected(chain).command(target_cents)
    raw_cents = sounding_cents - 1200.0 * chain.voice.panel_octaves
    commanded_cents = chain.command(target_cents)
    shown["sounding_cents"] = round(sounding_cents, 3)
    shown["sounding_hz"] = round(pitch_to_hertz(sounding_cents), 4)
    shown["correction_cents"] = round(commanded_cents - raw_cents, 3)
    if chain.curve is not None:
        part = chain.curve.unusable_at(commanded_cents)
        shown["unusable"] = "" if part is None else part.reason
        shown["extrapolated"] = chain.curve.extrapolated(commanded_cents)
    return shown


def _uncorrected(chain: Chain) -> Chain:
    """Return the chain of a perfect oscillator with its panel at the written pitch."""
    voice = replace(chain.voice, curve=None, panel_octaves=0)
    return Chain(voice, chain.settings, replace(chain.tonight, touch_up={}))


# ---------------------------------------------------------------- plain


def plain(status: Status) -> dict[str, Any]:
    """Return a picture as values that JSON holds; channels from 1, as ``channel_number``."""
    shown = _fields(status)
    shown["voices"] = [_plain_voice(voice) for voice in status.voices]
    shown["outputs"] = [_fields(output) for output in status.outputs]
    if status.waits is not None:
        shown["waits"] = _fields(status.waits)
    if status.clock is not None:
        shown["clock"] = _fields(status.clock)
    return shown


def _plain_voice(voice: VoiceStatus) -> dict[str, Any]:
    shown = _fields(voice)
    shown["channel_number"] = shown.pop("channel") + 1
    shown["touch_up"] = _fields(voice.touch_up)
    return shown


def _fields(value: Any) -> dict[str, Any]:
    # dataclasses.asdict copies deeply and takes four times as long on the thread that plays.
    return {name: getattr(value, name) for name in value.__slots__}
