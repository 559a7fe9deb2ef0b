"""The ``scale`` of a voice in a scene: a name, a file, a list of cents, or written in full.

    scale: dorian                  a built-in one, also "19 equal"
    scale: continuous              pitch is left alone
    scale: my-scale.scl            a file
    scale: [0, 204, 702, 1200]     cents; the last is the period
    scale: {file: my-scale.scl, keyboard_map: white-keys.kbm}
    scale: {name: x, cents: [0, 204, 702, 1200], keyboard: {name: y, pitches_cents: [...]}}

The last form is what the daemon writes, so that a stored scene sounds the
same when a file has gone or changed.
"""

from __future__ import annotations

from typing import Any

from ..errors import ConfigError, ScaleError
from ..tuning.scala import KeyboardMap, parse_kbm, parse_scl
from ..tuning.scale import Scale, preset, scale_from_cents
from .context import Context
from .faults import Place
from .fields import Section, found, is_nothing, read_number
from .yaml_source import Listing, Node, Scalar, Table, read_bytes

SCALE_FOLDERS = ("scales",)
LONGEST = 2000
_LIMIT_CENTS = 100_000.0
ScaleAndMap = tuple[Scale | None, KeyboardMap | None]


def read_scale_field(node: Node, context: Context) -> ScaleAndMap:
    """Return scale and keyboard map; (None, None) is continuous, or a fault was added."""
    if isinstance(node, Listing):
        return _from_cents("cents", node, context), None
    if isinstance(node, Table):
        return _from_table(Section(node, context.faults, context.middle_c_octave), context)
    if is_nothing(node):
        context.faults.add(node.place, "found nothing; allowed: a scale's name, file or cents")
        return None, None
    if node.text == "continuous":
        return None, None
    return _by_name(node, context), None


def _by_name(node: Scalar, context: Context) -> Scale | None:
    if node.text.lower().endswith(".scl"):
        return _from_file(node.text, node.place, context)
    try:
        return preset(node.text)
    except ScaleError as error:
        context.faults.add(node.place, str(error).removeprefix("scale: "))
        return None


def _from_file(name: str, place: Place, context: Context) -> Scale | None:
    path = context.look_up(name, SCALE_FOLDERS, place)
    if path is None:
        return None
    try:
        return parse_scl(read_bytes(path), str(path))
    except (ConfigError, ScaleError) as error:
        context.faults.add(place, f"found {error}")
        return None


def _from_cents(name: str, node: Listing, context: Context) -> Scale | None:
    if not 1 <= len(node.items) <= LONGEST:
        context.faults.add(node.place, f"found {len(node.items)} cents; allowed: 1 to {LONGEST}")
        return None
    cents = [
        read_number(item, context.faults, None, -_LIMIT_CENTS, _LIMIT_CENTS) for item in node.items
    ]
    if None in cents:
        return None
    return scale_from_cents(name, [value for value in cents if value is not None])


def _from_table(section: Section, context: Context) -> ScaleAndMap:
    if section.has("file") or section.has("keyboard_map"):
        return _from_files(section, context)
    node = section.node("cents", required=True, allowed="cents, or file: with a .scl file")
    name = section.text("name", "cents")
    scale = None
    if isinstance(node, Listing):
        scale = _from_cents(name, node, context)
    elif node is not None:
        context.faults.add(node.place, f"found {found(node)}; allowed: a list of cents")
    keyboard = section.section("keyboard")
    keyboard_map = None if keyboard is None else _written_out(keyboard)
    section.close()
    return scale, keyboard_map


def _from_files(section: Section, context: Context) -> ScaleAndMap:
    file = section.text("file", None, required=True)
    map_file = section.text("keyboard_map", None)
    section.close()
    if file is None:
        return None, None
    if file.lower().endswith(".scl"):
        scale = _from_file(file, section.at("file"), context)
    else:
        context.faults.add(section.at("file"), f"found {file}; allowed: a .scl file")
        return None, None
    if scale is None or map_file is None:
        return scale, None
    place = section.at("keyboard_map")
    path = context.look_up(map_file, SCALE_FOLDERS, place)
    if path is None:
        return scale, None
    try:
        return scale, parse_kbm(read_bytes(path), str(path), scale)
    except (ConfigError, ScaleError) as error:
        context.faults.add(place, f"found {error}")
        return scale, None


def _written_out(section: Section) -> KeyboardMap | None:
    name = section.text("name", "keyboard")
    nodes = section.items("pitches_cents")
    section.close()
    if len(nodes) != 128:
        section.faults.add(
            section.at("pitches_cents"), f"found {len(nodes)} pitches; allowed: 128, one a key"
        )
        return None
    pitches = tuple(
        None
        if is_nothing(node)
        else read_number(node, section.faults, None, -_LIMIT_CENTS, _LIMIT_CENTS)
        for node in nodes
    )
    return KeyboardMap(name, pitches)


def scale_to_plain(scale: Scale | None, keyboard_map: KeyboardMap | None) -> Any:
    """Return the value of ``scale`` in a stored scene: a name, or the whole scale."""
    if scale is None and keyboard_map is None:
        return "continuous"
    if keyboard_map is None and scale is not None and _is_preset(scale):
        return scale.name
    assert scale is not None  # a keyboard map comes with its scale
    plain: dict[str, Any] = {
        "name": scale.name,
        "cents": [*scale.degrees_cents, scale.period_cents],
    }
    if keyboard_map is not None:
        pitches = list(keyboard_map.pitches_cents)
        plain["keyboard"] = {"name": keyboard_map.name, "pitches_cents": pitches}
    return plain


def _is_preset(scale: Scale) -> bool:
    try:
        return preset(scale.name) == scale and not scale.name.lower().endswith(".scl")
    except ScaleError:
        return False
