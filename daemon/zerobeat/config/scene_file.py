"""Scene files: reads them, and writes what a store keeps."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..engine.clock import TICKS_A_QUARTER, beat_ticks
from ..engine.limits import CHORD_INTERVAL, MOST_CHORD_NOTES
from ..engine.settings import Scene, Trigger, Zone
from ..errors import one_of
from .context import Context
from .faults import Place
from .fields import Section, found, is_nothing, read_whole
from .scene_voices import HOLDS, check_voice, plain_settings, read_voices
from .stored_files import StoredFiles
from .yaml_out import block, line_of
from .yaml_source import Listing, Scalar, read_yaml

# Players are not sample-accurate; longer times than these would reach another beat.
CLOCK_LOST = ("wait", "key")
WAITS_MS = {"early_ms": 200.0, "late_ms": 200.0, "sample_delay_ms": 50.0}
DEFAULT_SCENE = Scene()


def load_scene(
    path: Path, context: Context | None = None, stored: StoredFiles | None = None
) -> Scene:
    """Return the scene of a file.

    Without a rig around it (``context``) names of voices and inputs are not
    checked, and the settings under ``all:`` get the voice name ``all``.

    Raises:
        ConfigError: all faults of the file and of the scales it names.
    """
    # Scales stand beside the rig, which is one up from a folder of scenes.
    folder = path.parent.parent if path.parent.name == "scenes" else path.parent
    context = context or Context(folder, stored)
    scene = read_scene_file(path, context)
    context.faults.raise_any()
    assert scene is not None
    return scene


def read_scene_file(path: Path, context: Context) -> Scene | None:
    """Return the scene of a file, or None; faults go into the context."""
    context.note_read(path)
    table = read_yaml(path, context.faults)
    if table is None:
        return None
    section = Section(table, context.faults, context.middle_c_octave)
    context.unknown_voices_are_faults = not context.is_stored(path)
    scene = read_scene(section, context.name_of(path), context)
    context.unknown_voices_are_faults = True
    return scene


def read_scene(section: Section, name: str, context: Context) -> Scene:
    """Return the scene of a section: a file's, or the one written into a rig."""
    first = context.program_numbers_from
    program = section.whole("program", None, first, first + 127)
    beats_in_bar, beat_unit = _time_signature(section)
    scene = Scene(
        name=section.text("title", name),
        program=None if program is None else program - first,
        bank=section.whole("bank", None, 0, 16383),
        hold=section.choice("hold", "note", HOLDS),
        regate=section.flag("regate", False),
        triggers=_triggers(section, context),
        beats_in_bar=beats_in_bar,
        beat_unit=beat_unit,
        **_waits_ms(section, DEFAULT_SCENE),
        clock_lost=section.choice("clock_lost", "wait", CLOCK_LOST),
        voices=read_voices(section, context),
    )
    scene = replace(scene, zones=_zones(section, context, tuple(scene.voices)))
    section.close()
    _check_divisions(section, scene)
    if scene.regate and scene.hold != "sample" and not _any_sample(scene):
        section.faults.add(section.at("regate"), "found true; allowed with hold: sample only")
    return scene


def read_scene_changes(section: Section, scene: Scene, context: Context) -> Scene:
    """Return a scene with the changes of a section, voices apart; faults go into the context."""
    hold = section.choice("hold", scene.hold, HOLDS)
    regate = section.flag("regate", scene.regate)
    triggers = _triggers(section, context)
    beats_in_bar, beat_unit = _time_signature(section)
    waits_ms = _waits_ms(section, scene)
    clock_lost = section.choice("clock_lost", scene.clock_lost, CLOCK_LOST)
    zones = _zones(section, context, tuple(scene.voices))
    section.close()
    changed = replace(scene, hold=hold, regate=regate, clock_lost=clock_lost, **waits_ms)
    if section.has("triggers"):
        changed = replace(changed, triggers=triggers)
    if section.has("time_signature"):
        changed = replace(changed, beats_in_bar=beats_in_bar, beat_unit=beat_unit)
    if section.has("zones") or section.has("assign"):
        changed = replace(changed, zones=zones)
    _check_divisions(section, changed)
    return changed


def _waits_ms(section: Section, scene: Scene) -> dict[str, Any]:
    """Return the times around a clock trigger, as fields of ``Scene``; by default ``scene``'s."""
    return {
        name: section.number(name, getattr(scene, name), 0.0, most)
        for name, most in WAITS_MS.items()
    }


def _any_sample(scene: Scene) -> bool:
    return any(settings.hold == "sample" for settings in scene.voices.values())


def _time_signature(section: Section) -> tuple[int, int]:
    node = section.node("time_signature")
    if node is None:
        return 4, 4
    if isinstance(node, Scalar):
        above, slash, below = node.text.partition("/")
        if slash and below in ("1", "2", "4", "8", "16", "32") and _beats(above):
            return int(above), int(below)
    allowed = "beats and unit, as 4/4 or 7/8 (1 to 64 beats of 1, 2, 4, 8, 16 or 32)"
    section.faults.add(node.place, f"found {found(node)}; allowed: {allowed}")
    return 4, 4


def _beats(text: str) -> bool:
    return (
        text.isascii()
        and text.isdecimal()
        and len(text) <= 2
        and text[0] != "0"
        and int(text) <= 64
    )


# ---------------------------------------------------------------- triggers


def _triggers(section: Section, context: Context) -> tuple[Trigger, ...]:
    triggers = []
    for node in section.items("triggers"):
        if isinstance(node, Scalar) and node.text == "key":
            triggers.append(Trigger("key"))
            continue
        inner = section.within(node)
        if inner is not None:
            triggers += _trigger(inner, context)
    return tuple(triggers)


def _trigger(section: Section, context: Context) -> list[Trigger]:
    triggers = []
    node = section.node("key")
    if node is not None:
        inner = None if is_nothing(node) else section.within(node)
        if inner is not None:
            inner.close()
        triggers.append(Trigger("key"))
    remote = section.section("remote_note")
    if remote is not None:
        triggers.append(_remote_note(remote, context))
    clock = section.section("clock")
    if clock is not None:
        triggers.append(_clock(clock, context))
    section.close()
    if len(section.table.entries) != 1:
        count = len(section.table.entries)
        section.faults.add(
            section.place, f"found {count} keys; allowed: one of key, remote_note, clock"
        )
    return triggers


def _remote_note(section: Section, context: Context) -> Trigger:
    source = section.text("input", None, required=True)
    if source is not None:
        _check_input(source, section.at("input"), context)
    channel = section.channel("channel_number", None)
    note = section.note("note", None)
    section.close()
    return Trigger("remote_note", input=source, channel=channel, note=note)


def _clock(section: Section, context: Context) -> Trigger:
    every = _every(section)
    unit = section.choice("unit", "beats", ("beats", "bars", "beat", "bar"))
    section.close()
    if not context.has_clock and context.lacking is not None:
        context.lacking.append("clock (clock_from)")
    elif not context.has_clock:
        text = "found a clock trigger; needed: clock_from in the rig, the input whose clock counts"
        section.faults.add(section.place, text)
    return Trigger("clock", every=every, unit=unit.removesuffix("s"))


def _every(section: Section) -> int | Fraction:
    """Return a whole number, or a part such as 1/2, which falls on whole clocks."""
    node = section.table.entries.get("every")
    text = getattr(node, "text", "")
    if "/" not in text:
        return section.whole("every", 1, 1, 1024)
    section.asked.append("every")
    above, _, below = text.partition("/")
    parts = (above, below)
    if all(p.isascii() and p.isdecimal() and len(p) <= 4 and p[0] != "0" for p in parts):
        every = Fraction(int(above), int(below))
        if every.denominator == 1 and every <= 1024:
            return int(every)
        if (every * TICKS_A_QUARTER).denominator == 1 and every <= 1024:
            return every
    allowed = "1 to 1024, or a part of whole clocks, 24 a quarter note: 1/2, 1/3, 1/4, 3/2"
    text = f"found {text}; allowed: {allowed}"
    section.faults.add(section.at("every"), text)
    return 1


def _check_divisions(section: Section, scene: Scene) -> None:
    """Refuse parts of a beat that fall between two clocks, by the scene's time signature."""
    for trigger in scene.triggers:
        beats = trigger.every * (scene.beats_in_bar if trigger.unit == "bar" else 1)
        ticks = Fraction(beats * beat_ticks(scene.beat_unit))
        if trigger.kind == "clock" and ticks.denominator != 1:
            text = f"every {trigger.every} falls between two clocks: a beat has"
            text = f"found {text} {beat_ticks(scene.beat_unit)}; allowed: parts that are whole"
            section.faults.add(section.at("triggers"), text)


def _check_input(name: str, place: Place, context: Context) -> None:
    if context.inputs is not None and name not in context.inputs:
        if context.lacking is not None:
            context.lacking.append(f"input {name}")
            return
        allowed = f"an input of the rig: {one_of(name, context.inputs)}"
        context.faults.add(place, f"found {name}; allowed: {allowed}")


# ---------------------------------------------------------------- zones


def _zones(section: Section, context: Context, named: tuple[str, ...]) -> tuple[Zone, ...]:
    assign = section.choice("assign", "unison", ("unison", "rotate"))
    if section.has("zones"):
        if section.has("assign"):
            text = "found beside zones; allowed: one of the two (give each zone its own assign)"
            section.faults.add(section.at("assign"), text)
        sections = [section.within(item) for item in section.items("zones")]
        zones = [_zone(inner, context) for inner in sections if inner is not None]
        return tuple(zone for zone in zones if zone.voices)
    if assign == "unison":
        return ()
    voices = context.voices if context.voices is not None else named
    return (Zone(voices=voices, assign="rotate"),)


def _chord(section: Section) -> tuple[int, ...]:
    nodes = section.items("chord")
    is_list = isinstance(section.table.entries.get("chord"), Listing)
    if is_list and not 1 <= len(nodes) <= MOST_CHORD_NOTES:
        text = f"found {len(nodes)} notes; allowed: 1 to {MOST_CHORD_NOTES}"
        section.faults.add(section.at("chord"), text)
        return ()
    found: list[int] = []
    for node in nodes:
        interval = read_whole(node, section.faults, None, *CHORD_INTERVAL)
        if interval in found:
            section.faults.add(node.place, f"found {interval} twice; allowed: each note once")
        elif interval is not None:
            found.append(interval)
    return tuple(found)


def _zone(section: Section, context: Context) -> Zone:
    section.node("voices", required=True, allowed="a list of voices")
    voices = section.names("voices")
    for item in section.items("voices") if section.has("voices") else ():
        if isinstance(item, Scalar) and item.text in voices:
            check_voice(item.text, item.place, context)
    if context.voices is not None:
        voices = tuple(voice for voice in voices if voice in context.voices)
    inputs = section.names("inputs")
    for name in inputs:
        _check_input(name, section.at("inputs"), context)
    zone = Zone(
        voices=voices,
        assign=section.choice("assign", "unison", ("unison", "rotate")),
        inputs=inputs,
        channels=section.channels("channel_numbers"),
        lowest_key=section.note("lowest_key", 0),
        highest_key=section.note("highest_key", 127),
        chord=_chord(section),
        chord_in=section.choice("chord_in", "semitones", ("semitones", "steps")),
        latch=section.flag("latch", False),
    )
    if zone.chord and zone.assign != "rotate":
        text = f"found it with assign {zone.assign}; allowed: with assign rotate, a voice a note"
        section.faults.add(section.at("chord"), text)
    if section.has("chord_in") and not section.has("chord"):
        section.faults.add(section.at("chord_in"), "found it without chord; allowed: with chord")
    section.close()
    if zone.lowest_key > zone.highest_key:
        text = f"found {zone.highest_key}; allowed: lowest_key ({zone.lowest_key}) or above"
        section.faults.add(section.at("highest_key"), text)
    return zone


# ---------------------------------------------------------------- out


def scene_to_yaml(scene: Scene, program_numbers_from: int = 1) -> str:
    """Return the text of a scene file; ``load_scene`` reads back an equal scene."""
    parts = [f"# Programs are numbered from {program_numbers_from}.\n"]
    parts.append(block(plain_scene(replace(scene, voices={}), program_numbers_from)))
    if scene.voices:
        parts.append("voices:\n")
    for name, settings in scene.voices.items():
        parts.append(line_of(name, plain_settings(settings)))
    return "".join(parts)


def plain_scene(scene: Scene, program_numbers_from: int = 1) -> dict[str, Any]:
    """Return a scene as plain values with the keys of a file; ``read_scene`` reads them back.

    Notes are written as numbers, so that another ``middle_c`` changes nothing.
    """
    plain: dict[str, Any] = {"title": scene.name}
    if scene.program is not None:
        plain["program"] = scene.program + program_numbers_from
    if scene.bank is not None:
        plain["bank"] = scene.bank
    plain |= {"hold": scene.hold, "time_signature": f"{scene.beats_in_bar}/{scene.beat_unit}"}
    if scene.regate:
        plain["regate"] = True
    plain |= {
        n: getattr(scene, n) for n in WAITS_MS if getattr(scene, n) != getattr(DEFAULT_SCENE, n)
    }
    if scene.clock_lost != DEFAULT_SCENE.clock_lost:
        plain["clock_lost"] = scene.clock_lost
    if scene.triggers:
        plain["triggers"] = [_plain_trigger(trigger) for trigger in scene.triggers]
    if scene.zones:
        plain["zones"] = [_plain_zone(zone) for zone in scene.zones]
    if scene.voices:
        plain["voices"] = {name: plain_settings(s) for name, s in scene.voices.items()}
    return plain


def _plain_trigger(trigger: Trigger) -> dict[str, Any]:
    if trigger.kind == "clock":
        every = trigger.every if isinstance(trigger.every, int) else str(trigger.every)
        return {"clock": {"every": every, "unit": f"{trigger.unit}s"}}
    if trigger.kind == "key":
        return {"key": {}}
    inner: dict[str, Any] = {"input": trigger.input}
    if trigger.channel is not None:
        inner["channel_number"] = trigger.channel + 1
    if trigger.note is not None:
        inner["note"] = trigger.note
    return {"remote_note": inner}


def _plain_zone(zone: Zone) -> dict[str, Any]:
    plain: dict[str, Any] = {"voices": list(zone.voices), "assign": zone.assign}
    if zone.inputs:
        plain["inputs"] = list(zone.inputs)
    if zone.channels:
        plain["channel_numbers"] = [channel + 1 for channel in zone.channels]
    plain |= {"lowest_key": zone.lowest_key, "highest_key": zone.highest_key}
    if zone.chord:
        plain |= {"chord": list(zone.chord), "chord_in": zone.chord_in}
    return plain | ({"latch": True} if zone.latch else {})
