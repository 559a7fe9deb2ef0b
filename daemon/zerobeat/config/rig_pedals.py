"""The pedal settings of a rig: pedalboards, their lights, the set list, the stage lock."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..engine.pedals.bindings import Pedalboard
from ..engine.settings import Input, Rig, Scene
from ..errors import one_of
from .context import Context
from .faults import Faults
from .fields import Section, read_text
from .pedalboard_file import read_pedalboard
from .rig_checks import place_in


def read_pedalboards(
    inputs: tuple[Input, ...], section: Section, context: Context
) -> dict[str, Pedalboard]:
    """Return the pedalboard of each input that names one."""
    pedalboards: dict[str, Pedalboard] = {}
    for source in inputs:
        if source.pedalboard is None:
            continue
        place = place_in(section, "inputs", source.name, "pedalboard")
        path = context.look_up(source.pedalboard, ("pedalboards",), place)
        if path is None:
            continue
        read = read_pedalboard(
            path, context.faults, context.program_numbers_from, context.middle_c_octave
        )
        if read is not None:
            pedalboards[source.name] = read
    return pedalboards


def read_pedal_settings(
    section: Section, scenes: Sequence[Scene], files: dict[str, str], faults: Faults
) -> dict[str, Any]:
    """Return the set list and the stage lock of a rig, as fields of ``Rig``.

    Args:
        section: the rig.
        scenes: its scenes.
        files: the file's name of each scene, by title; a set list may use either.
    """
    titles = {file: title for title, file in files.items()}
    titles |= {scene.name: scene.name for scene in scenes}
    order: list[str] = []
    for node in section.items("set_list"):
        name = read_text(node, faults, None)
        if name is not None and name not in titles:
            titled = [scene.name for scene in scenes]
            allowed = one_of(name, titled) or "none, the rig has no scenes"
            faults.add(node.place, f"found {name}; allowed: {allowed}")
        elif name is not None:
            order.append(titles[name])
    return {
        "set_list": tuple(order),
        "set_list_ends": section.choice("set_list_ends", "stop", ("stop", "wrap")),
        "stage_lock": section.choice("stage_lock", "on", ("on", "off")) == "on",
    }


def check_lights(rig: Rig, section: Section, faults: Faults) -> None:
    """Add faults for light ports that are a converter's, or whose name is taken."""
    converters = {output.port: output.name for output in rig.outputs}
    names = {output.name for output in rig.outputs}
    for source in rig.inputs:
        if not source.lights:
            continue
        place = place_in(section, "inputs", source.name, "lights")
        if source.lights in converters:
            text = f"found the port of {converters[source.lights]}"
            faults.add(place, f"{text}; allowed: the pedalboard's own port")
        if f"{source.name} lights" in names:
            text = f"found beside a converter called {source.name} lights"
            faults.add(place, f"{text}; allowed: another name for it")
