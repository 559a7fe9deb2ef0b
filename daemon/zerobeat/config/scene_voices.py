"""The voice settings of a scene, read and written: ``all`` and ``voices``."""

from __future__ import annotations

from typing import Any

from ..engine.limits import (
    DEGREES,
    DETUNE_BEATS_HZ,
    DETUNE_CENTS,
    DETUNE_LIMIT_CENTS,
    GLIDE_MS,
    OCTAVES,
    SEMITONES,
)
from ..engine.settings import PLAIN, VoiceSettings
from ..errors import NoteNameError, one_of
from ..tuning.units import parse_root
from .context import Context
from .faults import Place
from .fields import RESERVED_NAMES, Section, read_note
from .scale_field import read_scale_field, scale_to_plain
from .yaml_source import Node, Scalar

HOLDS = ("none", "note", "trigger", "sample")
EVERY_VOICE = "all"  # name for all voices when a scene is read without a rig


def check_voice(name: str, place: Place, context: Context) -> bool:
    """Return whether the rig has a voice; if not, a fault or warning was added."""
    if context.voices is None or name in context.voices:
        return True
    if context.lacking is not None:
        context.lacking.append(f"voice {name}")
        return False
    text = f"found {name}; allowed: a voice of the rig: {one_of(name, context.voices)}"
    if context.unknown_voices_are_faults:
        context.faults.add(place, text)
    else:
        context.faults.warn(place, f"{text}; left out")
    return False


def read_voices(section: Section, context: Context) -> dict[str, VoiceSettings]:
    """Return the settings by voice; in a rig, ``all`` applies to each of its voices."""
    common = PLAIN
    shared = section.section("all")
    if shared is not None:
        common = _settings(shared, PLAIN, context)
        shared.close()
    voices: dict[str, VoiceSettings] = {}
    if common != PLAIN:
        voices = dict.fromkeys(context.voices or (EVERY_VOICE,), common)
    hint = " (for all voices: all, beside voices)"
    for name, inner in section.named_sections("voices", hint_for_all=hint):
        known = name not in RESERVED_NAMES and check_voice(name, inner.place, context)
        settings = _settings(inner, common, context)
        inner.close()
        _check_start_key(inner, name, settings, context)
        if known:
            voices[name] = settings
    if common.start_key is not None and shared is not None:
        text = "found a start key for all voices; allowed: for one voice, under voices"
        section.faults.add(shared.at("start_key"), text)
    return voices


def read_changes(
    section: Section, name: str, base: VoiceSettings, context: Context
) -> VoiceSettings:
    """Return the settings of a voice with the changes of a section; faults go into the context."""
    settings = _settings(section, base, context)
    section.close()
    _check_start_key(section, name, settings, context)
    return settings


def _settings(section: Section, base: VoiceSettings, context: Context) -> VoiceSettings:
    scale, keyboard_map = base.scale, base.keyboard_map
    fit = base.fit
    degrees = base.degrees
    node = section.node("scale")
    if node is not None:
        degrees = 0 if _says_continuous(node) else degrees
        scale, keyboard_map = read_scale_field(node, context)
        fit = "keys" if keyboard_map is not None else "nearest" if base.keyboard_map else base.fit
    settings = VoiceSettings(
        scale=scale,
        keyboard_map=keyboard_map,
        root=_root(section, base.root),
        snap=section.choice("snap", base.snap, ("nearest", "down", "up")),
        fit=section.choice("fit", fit, ("nearest", "keys")),
        degrees=section.whole("degrees", degrees, *DEGREES),
        octaves=section.whole("octaves", base.octaves, *OCTAVES),
        semitones=section.whole("semitones", base.semitones, *SEMITONES),
        detune_cents=section.number("detune_cents", base.detune_cents, *DETUNE_CENTS),
        detune_beats_hz=section.number("detune_beats_hz", base.detune_beats_hz, *DETUNE_BEATS_HZ),
        detune_limit_cents=section.number(
            "detune_limit_cents", base.detune_limit_cents, *DETUNE_LIMIT_CENTS
        ),
        wheel=section.choice("wheel", base.wheel, ("smooth", "stepped")),
        priority=section.choice("priority", base.priority, ("last", "lowest", "highest")),
        legato=section.flag("legato", base.legato),
        hold=section.choice("hold", base.hold, HOLDS),
        start_key=section.note("start_key", base.start_key),
        glide_ms=section.number("glide_ms", base.glide_ms, *GLIDE_MS),
        glide=section.choice("glide", base.glide, ("by_octave", "by_time")),
        glide_shape=section.choice("glide_shape", base.glide_shape, ("straight", "rc")),
        glide_when=section.choice("glide_when", base.glide_when, ("always", "legato")),
    )
    _check_scale_use(section, settings, node)
    return settings


def _root(section: Section, default: int) -> int:
    """Return the root's key; a name without octave, as ``D``, is the first from middle C up."""
    node = section.node("root")
    if node is None:
        return default
    if isinstance(node, Scalar) and not node.text.isdecimal():
        try:
            return parse_root(node.text, section.middle_c_octave)
        except NoteNameError:
            pass
    return read_note(node, section.faults, default, section.middle_c_octave)


def _check_scale_use(section: Section, settings: VoiceSettings, scale_node: Node | None) -> None:
    failed = scale_node is not None and settings.scale is None and not _says_continuous(scale_node)
    if failed:
        return  # its own fault is reported already
    if settings.degrees and settings.scale is None:
        text = f"found {settings.degrees} with a continuous scale; allowed: degrees with a scale"
        section.faults.add(section.at("degrees"), text)
    if settings.keyboard_map is not None and settings.fit == "nearest":
        text = "found nearest with a keyboard map; allowed: keys"
        section.faults.add(section.at("fit"), text)
    elif settings.fit == "nearest" and settings.scale is not None:
        period = settings.scale.period_cents
        if not settings.scale.sorted_degrees_cents:
            text = (
                f"found a scale with a period of {period:g} cents; allowed: above 0, or fit: keys"
            )
            section.faults.add(section.at("scale"), text)


def _says_continuous(node: Node) -> bool:
    return isinstance(node, Scalar) and node.text == "continuous"


def _check_start_key(
    section: Section, name: str, settings: VoiceSettings, context: Context
) -> None:
    if settings.start_key is None or context.voices is None or name not in context.voices:
        return
    if name not in context.drones and section.has("start_key"):
        text = f"found {settings.start_key}; allowed for a voice with gate: ignored in the rig"
        section.faults.add(section.at("start_key"), text)


def plain_settings(settings: VoiceSettings) -> dict[str, Any]:
    """Return the settings of a voice with the keys of a file, defaults left out."""
    plain: dict[str, Any] = {"scale": scale_to_plain(settings.scale, settings.keyboard_map)}
    for name in (
        "root",
        "snap",
        "fit",
        "degrees",
        "octaves",
        "semitones",
        "detune_cents",
        "detune_beats_hz",
        "detune_limit_cents",
        "wheel",
        "priority",
        "legato",
        "hold",
        "start_key",
        "glide_ms",
        "glide",
        "glide_shape",
        "glide_when",
    ):
        value = getattr(settings, name)
        if value != getattr(PLAIN, name):
            plain[name] = value
    return plain
