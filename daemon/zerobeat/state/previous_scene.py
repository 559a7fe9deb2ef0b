"""The scene that was stored before the newest one, for an undo.

To be called in a child process, not in the one that plays: it reads YAML.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from ..config.context import Context
from ..config.fields import Section
from ..config.scene_file import read_scene, scene_to_yaml
from ..config.yaml_source import parse_yaml
from ..engine.settings import Rig, Scene
from ..errors import StoreError
from . import durable
from .store import Store


@dataclass(frozen=True, slots=True)
class EarlierScene:
    """A scene and its file's text."""

    scene: Scene
    text: str


def scene_context(store: Store, rig: Rig, folder: Path) -> Context:
    """Return the context in which stored scenes are read.

    Args:
        store: where they are stored.
        rig: with its voices and inputs.
        folder: of the rig's file, where scales stand.
    """
    return Context.of_rig(rig, folder, store, unknown_voices_are_faults=False)


def earlier_scene(store: Store, path: Path, title: str, rig: Rig, folder: Path) -> EarlierScene:
    """Return the scene stored before the newest one, under the title it has now.

    Raises:
        StoreError: none is kept.
        ConfigError: it can't be read.
    """
    earlier = durable.previous(path)
    context = scene_context(store, rig, folder)
    table = parse_yaml(earlier.content, str(earlier.path), context.faults)
    context.faults.raise_any()
    if table is None:
        raise StoreError(f"{earlier.path}: found nothing in it; needed: a scene")
    section = Section(table, context.faults, rig.middle_c_octave)
    scene = read_scene(section, durable.plain_stem(path), context)
    context.faults.raise_any()
    if scene.name == title:
        return EarlierScene(scene, earlier.content.decode())
    scene = replace(scene, name=title)
    return EarlierScene(scene, scene_to_yaml(scene, rig.program_numbers_from))
