"""Frozen values that say what the player has and wants.

``Rig`` is what is plugged in (from ``rig.yaml``), ``Scene`` what a foot
switch recalls, ``Tonight`` what lies over all scenes. A change swaps one value for
another; nothing is edited in place.

Channels are 0 to 15 here; files and screens show 1 to 16.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from ..tuning.scala import KeyboardMap
from ..tuning.scale import Scale
from ..tuning.tracking import TrackingCurve
from .mpe_zones import MpeSettings
from .pedals.bindings import Hold as Hold
from .pedals.bindings import Pedalboard
from .response import Response

Snap = Literal["nearest", "down", "up"]
Fit = Literal["nearest", "keys"]
Overlap = Literal["legato", "retriggers", "unsafe"]
MESSAGE_CLASSES = (
    "clock",
    "transport",
    "controllers",
    "pressure",
    "program",
    "sysex",
    "active_sensing",
)


# ---------------------------------------------------------------- the rig


@dataclass(frozen=True, slots=True)
class Input:
    """A port that is listened to: keyboard, sequencer or pedalboard."""

    name: str
    port: str  # stable "client:port" name; never a number
    port_is_pattern: bool = False  # a shell pattern that must match one port
    channel: int | None = None  # listen to one channel only; None is all
    wheel_cents: float = 200.0  # reach of the wheel, one side
    active_sensing: bool = True  # silence after active sensing releases notes
    plays: bool = True  # False: a pedalboard, whose notes never sound
    pedalboard: str | None = None  # name of the file with its bindings
    lights: str = ""  # port of the pedalboard's lights; "": none
    lights_is_pattern: bool = False
    response: Response | None = None  # to velocity, pressure and pedals; None: as they come
    mpe: MpeSettings | None = None  # a keyboard that gives each finger a channel
    glide_controllers: bool = False  # controllers 5, 65 and 84 rule glides


@dataclass(frozen=True, slots=True)
class ExtraSocket:
    """Another output of a converter, and what drives it."""

    name: str
    kind: Literal["controller", "pressure", "note"]
    channel: int
    number: int = 0  # of the controller or note


@dataclass(frozen=True, slots=True)
class ExtraRoute:
    """What an input does that drives a socket."""

    output: str
    socket: ExtraSocket
    input: str
    what: Literal["wheel", "velocity", "slide", "pressure", "controller"]
    controller: int = 0
    smooth_s: float = 0.0  # a way from end to end takes so long


@dataclass(frozen=True, slots=True)
class Converter:
    """What a MIDI-to-CV interface does; the facts its file states."""

    name: str = "plain"
    bend_range_cents: float = 200.0  # one side
    sends_bend_range: bool = True  # RPN 0 on connect; False where it is ignored
    zero_volt_note: int = 36
    lowest_note: int = 0
    highest_note: int = 127
    overlap: Overlap = "unsafe"
    bend_with_gate_low: bool = True
    settle_s: float = 0.0  # between a changed bend and its note-on
    gate_gap_s: float = 0.002  # between note-off and restrike
    bytes_per_second: int | None = None  # None: no budget of its own
    errors_follow: Literal["volts", "number"] = "volts"
    glide_across_notes: bool = False  # a glide out of the bend's reach changes the number
    extra: tuple[ExtraSocket, ...] = ()


@dataclass(frozen=True, slots=True)
class Output:
    """A port with a converter behind it."""

    name: str
    port: str
    port_is_pattern: bool = False
    converter: Converter = Converter()
    pass_channels: tuple[int, ...] = ()  # channels no voice uses, passed through
    pass_classes: tuple[str, ...] = ()  # of MESSAGE_CLASSES, sent on to this output
    panic_controllers: bool = True  # CC 123 and 120 after the single note-offs


@dataclass(frozen=True, slots=True)
class Voice:
    """One oscillator on one converter channel."""

    name: str
    output: str
    channel: int
    panel_octaves: int = 0
    bend_range_cents: float = 200.0
    lowest_note: int = 0
    highest_note: int = 127
    curve: TrackingCurve | None = None  # None: not measured, played raw
    note_errors_cents: tuple[float, ...] | None = None  # 128; the converter's, by number
    gate_ignored: bool = False  # heard with the gate low: a drone
    tail_s: float = 0.0  # the wheel still reaches it this long after note-off
    stale: str = ""  # why the profile needs a check, in words; "" is none
    tuning_from: str | None = None  # the input whose tuning messages set its scale
    response: Response | None = None  # besides that of the input


@dataclass(frozen=True, slots=True)
class Rig:
    """All that is plugged in."""

    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    voices: tuple[Voice, ...]
    clock_from: str | None = None  # the input whose clock counts and passes
    program_numbers_from: int = 1  # how a program is shown and written
    middle_c_octave: int = 4  # key 60 is C4
    concert_a_hz: float = 440.0  # until tonight says otherwise
    start_scene: str | None = None
    pedalboards: dict[str, Pedalboard] = field(default_factory=dict)  # by input
    set_list: tuple[str, ...] = ()  # names of scenes; empty: all, in the rig's order
    set_list_ends: Literal["stop", "wrap"] = "stop"
    stage_lock: bool = True  # no pedal overwrites a scene
    on_return: Literal["silent", "strike"] = "silent"  # keys held as a converter returns
    extra: tuple[ExtraRoute, ...] = ()  # what drives other sockets of converters


# ---------------------------------------------------------------- scenes


@dataclass(frozen=True, slots=True)
class VoiceSettings:
    """How one voice plays in one scene."""

    scale: Scale | None = None  # None: continuous, pitch is left alone
    keyboard_map: KeyboardMap | None = None
    root: int = 60  # the key on which degree 0 stands
    snap: Snap = "nearest"
    fit: Fit = "nearest"
    degrees: int = 0
    octaves: int = 0
    semitones: int = 0
    detune_cents: float = 0.0
    detune_beats_hz: float = 0.0
    detune_limit_cents: float = 50.0  # what a beat rate may become low down
    wheel: Literal["smooth", "stepped"] = "smooth"
    priority: Literal["last", "lowest", "highest"] = "last"
    legato: bool = False  # False: each key strikes anew
    hold: Hold | None = None  # None: the scene's
    glide_ms: float = 0.0  # for an octave, or for the whole way; 0.0: no glide
    glide: Literal["by_octave", "by_time"] = "by_octave"
    glide_shape: Literal["straight", "rc"] = "straight"
    glide_when: Literal["always", "legato"] = "always"
    start_key: int | None = None  # a drone sounds it at start and recall


@dataclass(frozen=True, slots=True)
class Zone:
    """Which keys play which voices, and how they share them."""

    voices: tuple[str, ...]
    assign: Literal["unison", "rotate"] = "unison"
    inputs: tuple[str, ...] = ()  # names; empty: every playing input
    channels: tuple[int, ...] = ()  # empty: every channel
    lowest_key: int = 0
    highest_key: int = 127
    chord: tuple[int, ...] = ()  # with rotate: what each key sounds, above itself; () itself
    chord_in: Literal["semitones", "steps"] = "semitones"  # steps of the voice's scale
    latch: bool = False  # a pedal with action latch keeps its keys


@dataclass(frozen=True, slots=True)
class Scene:
    """What a foot switch recalls."""

    name: str = "plain"
    program: int | None = None  # as on the wire, 0 to 127
    bank: int | None = None  # 14 bits; None: any bank
    hold: Hold = "note"
    zones: tuple[Zone, ...] = ()  # empty: all voices in one unison zone
    voices: dict[str, VoiceSettings] = field(default_factory=dict)  # by voice name
    triggers: tuple[Trigger, ...] = ()
    regate: bool = False  # with hold "sample": open the gates again at a trigger
    beats_in_bar: int = 4
    beat_unit: int = 4
    early_ms: float = 25.0  # a key so long before a clock trigger brings it on
    late_ms: float = 40.0  # what is asked for so long after one lands at once
    clock_lost: Literal["wait", "key"] = "wait"  # what waits for a clock that does not count
    sample_delay_ms: float = 3.0  # from a clock trigger until hold "sample" reads the keys

    def of(self, voice: str) -> VoiceSettings:
        """Return the settings of a voice; the defaults if the scene is silent on it."""
        return self.voices.get(voice, PLAIN)


PLAIN = VoiceSettings()


@dataclass(frozen=True, slots=True)
class Trigger:
    """What ends the wait of hold ``trigger`` or ``sample``.

    ``kind`` "command" (also a pedal) is always allowed and needs no entry.
    """

    kind: Literal["key", "remote_note", "clock"]
    input: str | None = None  # remote_note: where it comes from
    channel: int | None = None
    note: int | None = None
    every: int | Fraction = 1  # clock: so many beats or bars
    unit: Literal["beat", "bar"] = "beat"


# ---------------------------------------------------------------- tonight


@dataclass(frozen=True, slots=True)
class TouchUp:
    """Drift since the profile was made, as heard; it is taken out again.

    A voice sounds ``offset_cents`` sharp at ``reference_cents`` and
    ``stretch_cents`` more for each octave above it. ``at_s`` says when that was
    heard (Unix time; 0: not known), for the player's eye alone.
    """

    offset_cents: float = 0.0
    stretch_cents: float = 0.0
    reference_cents: float = 3600.0
    at_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Tonight:
    """What lies over all scenes and lasts through restarts."""

    concert_a_hz: float = 440.0
    transpose_semitones: int = 0
    touch_up: dict[str, TouchUp] = field(default_factory=dict)
    bypass: frozenset[str] = frozenset()  # voices played raw
    solo: frozenset[str] = frozenset()
    mute: frozenset[str] = frozenset()
    set_list: tuple[str, ...] = ()  # empty: the rig's
    transpose_cents: float = 0.0  # besides the semitones
    transpose_degrees: int = 0  # steps of the scale; a continuous voice has none
    keep_touch_up: frozenset[str] = frozenset()  # of ``bypass``: raw, but with the touch-up
