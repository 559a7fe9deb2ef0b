"""Checks across fields: parts of a rig that contradict each other."""

from __future__ import annotations

from collections.abc import Sequence

from ..engine.pedals.bindings import Pedalboard
from ..engine.settings import Rig, Scene
from ..errors import one_of
from .faults import Faults, Place
from .fields import Section


def check_rig(rig: Rig, section: Section, faults: Faults) -> None:
    """Add faults for channels, ports and names that contradict each other."""
    _check_channels(rig, section, faults)
    _check_ports(rig, section, faults)
    names = [source.name for source in rig.inputs]
    if rig.clock_from is not None and rig.clock_from not in names:
        allowed = f"an input of the rig: {one_of(rig.clock_from, names)}"
        faults.add(section.at("clock_from"), f"found {rig.clock_from}; allowed: {allowed}")


def _check_channels(rig: Rig, section: Section, faults: Faults) -> None:
    taken: dict[tuple[str, int], str] = {}
    for voice in rig.voices:
        key = (voice.output, voice.channel)
        if key in taken:
            place = place_in(section, "voices", voice.name, "channel_number")
            text = f"found {voice.channel + 1} of {voice.output}, where {taken[key]} is"
            faults.add(place, f"{text}; allowed: one voice a channel")
        taken.setdefault(key, voice.name)
    for route in rig.extra:
        socket = route.socket
        if socket.kind == "note":
            passed = next(o for o in rig.outputs if o.name == route.output).pass_channels
            who = taken.get((route.output, socket.channel))
            if who is not None or socket.channel in passed:
                place = place_in(section, "converters", route.output, "extra")
                whose = who or "what is passed"
                text = f"found {socket.name} on channel {socket.channel + 1}, of {whose}"
                faults.add(place, f"{text}; allowed for a note: a channel of its own")
    for output in rig.outputs:
        for channel in output.pass_channels:
            voice_there = taken.get((output.name, channel))
            if voice_there is not None:
                place = place_in(section, "converters", output.name, "pass_channel_numbers")
                text = f"found {channel + 1}, the channel of {voice_there}"
                faults.add(place, f"{text}; allowed: channels no voice uses")


def _check_ports(rig: Rig, section: Section, faults: Faults) -> None:
    seen: dict[str, str] = {}
    for output in rig.outputs:
        if output.port and output.port in seen:
            place = place_in(section, "converters", output.name, "port")
            faults.add(place, f"found the port of {seen[output.port]}; allowed: a port of its own")
        seen.setdefault(output.port, output.name)
    used: list[tuple[str, int | None, str]] = []
    for source in rig.inputs:
        for port, channel, name in used:
            if source.port and port == source.port and _overlap(channel, source.channel):
                place = place_in(section, "inputs", source.name, "port")
                text = f"found the port of {name}"
                faults.add(place, f"{text}; allowed: another port, or a channel_number for each")
        used.append((source.port, source.channel, source.name))


def _overlap(one: int | None, other: int | None) -> bool:
    return one is None or other is None or one == other


def place_in(section: Section, group: str, name: str, key: str) -> Place:
    """Return the place of a key of a named entry, such as the port of an input."""
    holder = section.table.entries.get(group)
    node = getattr(holder, "entries", {}).get(name)
    if node is None or not hasattr(node, "entries"):
        return section.at(group)
    return Section(node, section.faults).at(key)


def check_scenes(scenes: Sequence[Scene], rig: Rig, section: Section, faults: Faults) -> None:
    """Add faults for scenes that share a name or a program."""
    names: set[str] = set()
    for scene in scenes:
        if scene.name in names:
            faults.add(
                section.at("scenes"), f"found two scenes {scene.name}; allowed: each name once"
            )
        names.add(scene.name)
    for i, scene in enumerate(scenes):
        for other in scenes[:i]:
            if other is scene or scene.program is None or other.program != scene.program:
                continue
            if scene.bank is None or other.bank is None or scene.bank == other.bank:
                number = scene.program + rig.program_numbers_from
                text = f"found program {number} in {other.name} and in {scene.name}"
                faults.add(section.at("scenes"), f"{text}; allowed: each program once a bank")


def check_pedalboards(
    pedalboards: dict[str, Pedalboard],
    scenes: Sequence[Scene],
    rig: Rig,
    section: Section,
    faults: Faults,
) -> None:
    """Add faults for bindings that name a voice or scene the rig does not have."""
    voices = [voice.name for voice in rig.voices]
    names = [scene.name for scene in scenes]
    for source, pedalboard in pedalboards.items():
        place = place_in(section, "inputs", source, "pedalboard")
        for binding in pedalboard.bindings:
            if binding.voice is not None and binding.voice not in voices:
                text = f"found {pedalboard.name} with voice {binding.voice}"
                faults.add(place, f"{text}; allowed: {one_of(binding.voice, voices)}")
            if binding.scene is not None and binding.scene not in names:
                text = f"found {pedalboard.name} with scene {binding.scene}"
                allowed = one_of(binding.scene, names) or "none, the rig has no scenes"
                faults.add(place, f"{text}; allowed: {allowed}")
