"""The picture of ``status`` as values that JSON holds: what goes over the control socket.

Fields are those of the picture; channels count from 1, as ``channel_number``.
"""

from __future__ import annotations

from typing import TypedDict, cast

from .clock import ClockState
from .pending import ClockStatus
from .settings import Hold, TouchUp
from .status import OutputStatus, SceneWaiting, Status
from .voice_status import VoiceStatus


class PlainTouchUp(TypedDict):
    offset_cents: float
    stretch_cents: float
    reference_cents: float
    at_s: float


class PlainVoice(TypedDict):
    name: str
    output: str
    output_there: bool
    channel_number: int
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
    touch_up: PlainTouchUp
    scale: str
    root: int
    detune_cents: float
    detune_beats_hz: float
    hold: Hold
    waits: str
    waiting: tuple[str, ...]
    wanted: tuple[str, ...]


class PlainOutput(TypedDict):
    name: str
    there: bool
    bytes_sent: int
    bytes_per_second: int | None
    thinned: int
    waiting: int
    late: int


class PlainWaiting(TypedDict):
    name: str
    hold: Hold


class PlainClock(TypedDict):
    input: str
    state: ClockState
    tempo_bpm: float | None
    bar: int
    beat: int
    unsure: bool
    keys_land: bool
    due: str
    beats_left: int | None


class PlainStatus(TypedDict):
    scene: str
    program: int | None
    program_numbers_from: int
    scenes: tuple[str, ...]
    set_list: tuple[str, ...]
    position: int | None
    unsaved: bool
    hold: Hold
    triggers: tuple[str, ...]
    waits: PlainWaiting | None
    ends: tuple[str, ...]
    clock: PlainClock | None
    root_keys: tuple[str, ...]
    concert_a_hz: float
    transpose_semitones: int
    transpose_cents: float
    transpose_degrees: int
    middle_c_octave: int
    measuring: tuple[str, ...]
    presses: int
    stage_lock: bool
    feet: tuple[str, ...]
    foot: str
    foot_refused: bool
    wheel_cents: dict[str, float]
    voices: list[PlainVoice]
    outputs: list[PlainOutput]
    dropped: dict[str, int]
    faults: int


def plain(status: Status) -> PlainStatus:
    """Return a picture as values that JSON holds."""
    shown = _fields(status)
    shown["voices"] = [_plain_voice(voice) for voice in status.voices]
    shown["outputs"] = [_fields(output) for output in status.outputs]
    if status.waits is not None:
        shown["waits"] = _fields(status.waits)
    if status.clock is not None:
        shown["clock"] = _fields(status.clock)
    return cast(PlainStatus, shown)


def _plain_voice(voice: VoiceStatus) -> PlainVoice:
    shown = _fields(voice)
    del shown["channel"]
    shown["channel_number"] = voice.channel + 1
    shown["touch_up"] = _fields(voice.touch_up)
    return cast(PlainVoice, shown)


def _fields(
    value: Status | VoiceStatus | OutputStatus | SceneWaiting | ClockStatus | TouchUp,
) -> dict[str, object]:
    # dataclasses.asdict copies deeply and takes four times as long on the thread that plays.
    return {name: getattr(value, name) for name in value.__slots__}
