"""Frozen values that say which switch or pedal does what.

| kind | acts |
| --- | --- |
| `trigger` | at each press |
| `momentary` | on while it is down, off when it comes up |
| `toggle` | on, off, on at each press |
| `latching` | at each press and each release: for a switch that latches by itself |
| `follow` | with every move of a pedal |
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Hold = Literal["none", "note", "trigger", "sample"]
TransposeUnit = Literal["semitones", "cents", "degrees"]
RequestAction = Literal[
    "store", "revert", "touch_up", "go_on", "pair", "follow", "follow_here", "follow_back"
]
REQUESTS = get_args(RequestAction)
Kind = Literal["trigger", "momentary", "toggle", "latching", "follow"]
KINDS: tuple[Kind, ...] = ("trigger", "momentary", "toggle", "latching", "follow")
SOURCES = ("controller", "note", "program")
ACTIONS = (
    "recall",
    "next",
    "previous",
    "cancel",
    "trigger",
    "hold",
    "transpose",
    "set",
    "set_root",
    "bypass",
    "mute",
    "solo",
    "sustain",
    "latch",
    "panic",
    "store",
    "revert",
    "touch_up",
    "go_on",
    "follow",
    "follow_here",
    "follow_back",
    "pair",
)
ON_OFF = ("hold", "transpose", "set", "set_root", "bypass", "mute", "solo", "sustain", "latch")
SETTINGS = ("detune_cents", "detune_beats_hz", "semitones", "octaves", "degrees", "glide_ms")
UNITS: tuple[TransposeUnit, ...] = ("semitones", "cents", "degrees")
WHOLE_SETTINGS = ("semitones", "octaves", "degrees")


@dataclass(frozen=True, slots=True)
class Binding:
    """One switch or pedal and what it does.

    ``source`` says what the pedalboard sends; ``number`` is the controller,
    note or program as on the wire, None for any program. With action
    ``recall`` and no scene, the program that arrives chooses the scene.
    ``to`` and ``by`` are for ``set`` and ``transpose`` by a switch: a value, or
    a step from the value in force.
    """

    source: Literal["controller", "note", "program"]
    number: int | None
    action: str
    channel: int | None = None  # None: any
    kind: Kind = "trigger"
    debounce_s: float = 0.02  # switches only; the first edge acts at once
    long_press_s: float = 0.0  # above 0: acts only when held so long
    feedback: bool = False  # light sent back to the pedalboard
    voice: str | None = None  # None: all voices
    scene: str | None = None
    hold: Hold | None = None
    setting: str | None = None  # of VoiceSettings, with action set
    lowest: float = 0.0  # what a pedal at heel and toe means
    highest: float = 0.0
    pick_up: bool = True  # a pedal acts when it passes the value in force
    to: float | None = None
    by: float | None = None
    keep_touch_up: bool = False  # with action bypass
    unit: TransposeUnit = "semitones"  # of to and by with action transpose


@dataclass(frozen=True, slots=True)
class Pedalboard:
    """The switches and pedals of one pedalboard."""

    name: str
    bindings: tuple[Binding, ...]
    ignore_banks: bool = False
    relight: bool = False  # it blanks a light at release: sent again then


@dataclass(frozen=True, slots=True)
class Learned:
    """A binding that ``learn`` wrote, and the input it is for."""

    input: str
    binding: Binding


@dataclass(frozen=True, slots=True)
class FootRequest:
    """What a pedal asks for that the engine can't do: whoever runs the engine takes it up.

    ``action`` is one of ``REQUESTS``. A store has passed the
    stage lock and its second step; ``scene`` None is the scene that plays.
    """

    action: RequestAction
    input: str
    scene: str | None = None
    voice: str | None = None
