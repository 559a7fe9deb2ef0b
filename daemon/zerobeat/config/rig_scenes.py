"""The scenes of a rig: those it lists, the one written into it, and those that were stored new.

A stored scene takes precedence over the rig's own file. A stored scene that no
line of the rig names was stored under a new name; it comes after the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from ..engine.settings import Scene
from .context import Context
from .faults import Faults, Place
from .fields import Section, found
from .file_lookup import SHIPPED, stored_name
from .scene_file import read_scene, read_scene_file
from .yaml_source import Node, Scalar, Table

WRITTEN_IN = "scene-in-rig"  # under which name the store keeps the scene written into a rig


@dataclass(slots=True)
class RigScenes:
    """The bank of a rig.

    ``scenes`` are in the order of the set list, ``start`` names the first to
    play, and ``files`` says under which name the store keeps each title.
    """

    scenes: list[Scene] = field(default_factory=list)
    start: str | None = None
    files: dict[str, str] = field(default_factory=dict)


def read_scenes(section: Section, context: Context) -> RigScenes:
    """Return the scenes of a rig, the starting one first if it is not in the list."""
    bank = RigScenes()
    by_file: dict[Path, Scene] = {}
    for node in section.items("scenes"):
        scene = _named(node, context, by_file, bank)
        if scene is not None:
            bank.scenes.append(scene)
    start = section.node("scene")
    first = bank.scenes[0] if bank.scenes else None
    if isinstance(start, Table):
        first = _written(Section(start, context.faults, context.middle_c_octave), context, bank)
    elif start is not None:
        first = _named(start, context, by_file, bank)
    if first is not None and not any(scene is first for scene in bank.scenes):
        bank.scenes.insert(0, first)
    bank.start = None if first is None else first.name
    _add_new(section, context, bank)
    return bank


def _named(
    node: Node, context: Context, by_file: dict[Path, Scene], bank: RigScenes
) -> Scene | None:
    if not isinstance(node, Scalar) or not node.text.strip():
        context.faults.add(node.place, f"found {found(node)}; allowed: the name of a scene file")
        return None
    kinds = ("scenes",)
    path = context.look_up(node.text, kinds, node.place)
    if path is None:
        return None
    if path not in by_file:
        shipped = path.is_relative_to(SHIPPED)
        context.lacking = [] if shipped else None
        scene = context.read_found(
            path, lambda other: read_scene_file(other, context), node.text, kinds, node.place
        )
        lacking, context.lacking = context.lacking, None
        if lacking:
            _ask_for_a_copy(path, list(dict.fromkeys(lacking)), node, context)
            return None
        if scene is None:
            return None
        by_file[path] = scene
        bank.files[scene.name] = stored_name(node.text)
    return by_file[path]


def _ask_for_a_copy(path: Path, lacking: list[str], node: Scalar, context: Context) -> None:
    """Add a fault for a shipped scene that plays what the rig does not have."""
    import shlex  # here: a start without such a fault does not need it

    names = ", ".join(lacking)
    folder = context.folder / "scenes"
    make = "" if folder.is_dir() else f"mkdir {shlex.quote(str(folder))} && "
    copy = f"{make}cp {shlex.quote(str(path))} {shlex.quote(str(folder))}/"
    context.faults.add(
        node.place,
        f"found {node.text}, a scene that comes with zerobeat and is for another case; this rig "
        f"has no {names}. Make it yours: {copy} and write your own names into the copy",
    )


def _written(section: Section, context: Context, bank: RigScenes) -> Scene:
    """Return the scene written into the rig, or what was stored in its place."""
    scene = read_scene(section, "start", context)
    stored = _stored(WRITTEN_IN, section.place, context)
    if stored is not None:
        text = "is used; the scene written here is not"
        assert context.stored is not None
        path = context.stored.path("scenes", WRITTEN_IN)
        context.faults.warn(section.place, f"{path} {text}")
        scene = stored
    bank.files[scene.name] = WRITTEN_IN
    return scene


def _add_new(section: Section, context: Context, bank: RigScenes) -> None:
    """Add scenes stored under a new name; each that can't be used is left out with a warning."""
    if context.stored is None:
        return
    known = {*bank.files.values(), WRITTEN_IN}
    for name in context.stored.names("scenes"):
        scene = None if name in known else _stored(name, section.place, context)
        if scene is None:
            continue
        path = context.stored.path("scenes", name)
        if scene.name in bank.files:
            place = Place(str(path), 0)
            context.faults.warn(place, f"found a second scene {scene.name}; left out")
            continue
        if any(_same_program(scene, other) for other in bank.scenes):
            scene = replace(scene, program=None)
        bank.scenes.append(scene)
        bank.files[scene.name] = name


def _same_program(one: Scene, other: Scene) -> bool:
    if one.program is None or one.program != other.program:
        return False
    return one.bank is None or other.bank is None or one.bank == other.bank


def _stored(name: str, place: Place, context: Context) -> Scene | None:
    """Return a stored scene, or None; it is no fault of the rig's that one can't be read."""
    store = context.stored
    if store is None or name not in store.names("scenes"):
        return None
    outer, context.faults = context.faults, Faults()
    path = context.take(store.path("scenes", name), name, (), place)
    scene = None
    if path is not None:
        scene = context.read_found(
            path, lambda other: read_scene_file(other, context), name, (), place
        )
    own, context.faults = context.faults, outer
    outer.warnings += [*own.warnings, *(f"{line}; left out" for line in own.lines())]
    return None if own.problems else scene
