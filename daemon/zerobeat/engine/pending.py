"""What waits, for what, and how many beats are left: words for the console."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from ..tuning.units import name_of_note
from .clock import Clock, ClockState, beat_ticks
from .engine_state import EngineState
from .hold import UNTIL_TRIGGER, Triggers, ticks_of
from .settings import Hold, Scene, Trigger, VoiceSettings

CLOCK_WORDS: dict[ClockState, str] = {
    "none": "the clock to come",
    "stopped": "the clock to start",
    "running": "the clock",
    "lost": "the clock, which is lost",
}


@dataclass(frozen=True, slots=True)
class ClockStatus:
    """The rig's clock.

    Args:
        tempo_bpm: quarter notes a minute; None while unknown.
        bar: of the song's position, by the scene's time signature, from 1; and ``beat``.
        keys_land: the clock is missed, and the scene lets a key land what waits.
        unsure: clocks were lost, and the position may be off until Start or Song Position.
        due: where the next clock trigger falls, such as ``bar 3``; "" without one.
        beats_left: until then, the one that has begun included; None unless it runs.
    """

    input: str
    state: ClockState
    tempo_bpm: float | None
    bar: int
    beat: int
    unsure: bool
    keys_land: bool
    due: str
    beats_left: int | None


def clock_status(shared: EngineState, triggers: Triggers) -> ClockStatus | None:
    """Return the clock as it stands; None if the rig has none."""
    name = shared.rig.clock_from
    if name is None:
        return None
    clock = triggers.clock
    scene = shared.scene
    tempo = clock.tempo_bpm
    tick = clock.next_tick - 1 if clock.running and clock.next_tick else clock.next_tick
    bar, beat = _bar_and_beat(tick, scene)
    due = clock.due_tick(triggers.divisions)
    return ClockStatus(
        input=name,
        state=clock.state,
        tempo_bpm=None if tempo is None else round(tempo, 1),
        bar=bar,
        beat=beat,
        unsure=clock.unsure,
        keys_land=bool(triggers.divisions) and triggers.lands_by_key and clock.is_missed,
        due="" if due is None else _place(due, scene),
        beats_left=_beats_left(clock, due, scene),
    )


def _bar_and_beat(tick: int, scene: Scene) -> tuple[int, int]:
    beats = tick // beat_ticks(scene.beat_unit)
    return beats // scene.beats_in_bar + 1, beats % scene.beats_in_bar + 1


def _place(tick: int, scene: Scene) -> str:
    bar, beat = _bar_and_beat(tick, scene)
    on_bar = tick % ticks_of(Trigger("clock", unit="bar"), scene) == 0
    ticks = beat_ticks(scene.beat_unit)
    part = f"{(tick % ticks) / ticks:.3g}"[1:] if tick % ticks else ""
    return f"bar {bar}" if on_bar else f"bar {bar} beat {beat}{part}"


def _beats_left(clock: Clock, due: int | None, scene: Scene) -> int | None:
    if due is None or clock.state != "running":
        return None
    return -(-(due - clock.next_tick + 1) // beat_ticks(scene.beat_unit))


# ---------------------------------------------------------------- what ends the wait


def ends(shared: EngineState, triggers: Triggers) -> tuple[str, ...]:
    """Return what ends the wait of what waits now; () if nothing waits."""
    holds: set[Hold] = {s.waiting_hold for s in shared.voices.values() if s.waiting is not None}
    if shared.waiting_scene is not None:
        holds.add(shared.waiting_hold)
    found = ["the next note"] if "note" in holds else []
    if holds.intersection(UNTIL_TRIGGER):
        found += _triggers(shared, triggers)
    return tuple(dict.fromkeys(found))


def _triggers(shared: EngineState, triggers: Triggers) -> list[str]:
    named = shared.scene.triggers
    found = [trigger_words(trigger) for trigger in named if trigger.kind != "clock"]
    clock = clock_status(shared, triggers)
    if triggers.divisions and clock is not None:
        running = clock.state == "running"
        found.append(clock.due if running else CLOCK_WORDS[clock.state])
        if clock.keys_land:
            found.append("a key")
    return found or ["a trigger"]


def trigger_words(trigger: Trigger) -> str:
    """Return what a trigger is."""
    if trigger.kind == "key":
        return "a key"
    if trigger.kind == "remote_note":
        return f"a note from {trigger.input}"
    every = trigger.unit if trigger.every == 1 else f"{trigger.every} {trigger.unit}s"
    return f"the clock, every {every}"


# ---------------------------------------------------------------- what is wanted

_SIGNED = {
    "semitones": "{:+d}",
    "octaves": "{:+d} octave",
    "degrees": "{:+d} degree",
    "detune_cents": "{:+g} cents",
    "detune_beats_hz": "{:+g} beats a second",
}


def differing(settings: VoiceSettings, waiting: VoiceSettings) -> tuple[str, ...]:
    """Return the names of the settings that will change."""
    names = (field.name for field in fields(VoiceSettings))
    return tuple(n for n in names if getattr(settings, n) != getattr(waiting, n))


def wanted_words(
    settings: VoiceSettings, waiting: VoiceSettings, middle_c_octave: int
) -> tuple[str, ...]:
    """Return what a voice will be when what waits has landed, such as ``+7``."""
    return tuple(
        _words(name, getattr(waiting, name), middle_c_octave)
        for name in differing(settings, waiting)
    )


def _words(name: str, value: Any, middle_c_octave: int) -> str:
    if name in _SIGNED:
        plural = "s" if name in ("octaves", "degrees") and abs(value) != 1 else ""
        return _SIGNED[name].format(value) + plural
    if name == "glide_ms":
        return f"glide {value:g} ms" if value else "no glide"
    if name == "legato":
        return "legato" if value else "not legato"
    if name in ("scale", "keyboard_map"):
        return value.name if value is not None else "continuous" if name == "scale" else "no map"
    label = name.replace("_", " ")
    if value is None:
        return f"no {label} of its own"
    if name in ("root", "start_key"):
        return f"{label} {name_of_note(value, middle_c_octave)}"
    return f"{label} {value:g}" if isinstance(value, float) else f"{label} {value}"
