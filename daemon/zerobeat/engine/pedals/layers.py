"""What pedals add while they are down: layers over the stored settings.

A layer is derived from the switches that are on at the moment and from nothing else, so it ends
with its pedal, its binding, its pedalboard, panic or a stop, whatever was changed meanwhile. It
is never stored. Which action makes a layer is listed in docs/layers.md.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from ..limits import TRANSPOSITIONS, VOICE_SETTINGS
from ..settings import Scene, Tonight, VoiceSettings
from .bindings import ON_OFF, WHOLE_SETTINGS, Binding

SwitchPlace = tuple[str, str, int, int]  # input, source, channel, number
SwitchKey = tuple[Binding, SwitchPlace]
ONLY_LAYERS = ("sustain", "latch", "set_root")  # no stored value stands behind these


def is_layer(binding: Binding) -> bool:
    """Return whether a binding adds a layer; others set stored values or act once."""
    momentary = binding.kind == "momentary" and binding.action in ON_OFF
    return momentary or binding.action in ONLY_LAYERS


class Layers:
    """The switches that are on now, and what they add.

    Attributes:
        active: switches whose layer is in force, in the order in which they went on.
        sustains: a pedal holds the notes of all playing inputs.
        latches: a pedal keeps the keys of zones that latch.
        rooting: bindings that let the next key set a root.
        commanded_roots: voices whose root the next key sets because of a command.
    """

    def __init__(self) -> None:
        self.active: tuple[SwitchKey, ...] = ()
        self.commanded_roots: frozenset[str] = frozenset()
        self._derive()

    def _derive(self) -> None:
        bindings = [binding for binding, _ in self.active]
        self.sustains = any(binding.action == "sustain" for binding in bindings)
        self.latches = any(binding.action == "latch" for binding in bindings)
        self.rooting = tuple(binding for binding in bindings if binding.action == "set_root")

    def begin(self, key: SwitchKey) -> None:
        """Let the layer of a switch begin, over those that are in force."""
        self.active = (*(other for other in self.active if other != key), key)
        self._derive()

    def end(self, keys: Iterable[SwitchKey]) -> bool:
        """Let the layers of some switches end; return whether any was in force."""
        gone = set(keys)
        before = self.active
        self.active = tuple(key for key in before if key not in gone)
        self._derive()
        return len(self.active) != len(before)

    def clear(self) -> None:
        """Let every layer end."""
        self.active = ()
        self.commanded_roots = frozenset()
        self._derive()

    def of(self, binding: Binding, name: str) -> list[SwitchKey]:
        """Return the switches of an input by which a binding's layer is in force."""
        return [key for key in self.active if key[1][0] == name and key[0] == binding]

    def _each(self, action: str) -> Iterable[Binding]:
        return (binding for binding, _ in self.active if binding.action == action)

    # ------------------------------------------------------------ what they make of settings

    def root_voices(self, names: Iterable[str]) -> frozenset[str]:
        """Return the voices whose root the next key sets, instead of sounding."""
        known = frozenset(names)
        if any(binding.voice is None for binding in self.rooting):
            return known
        asked = {binding.voice for binding in self.rooting if binding.voice is not None}
        return known & (self.commanded_roots | asked)

    def scene(self, base: Scene) -> Scene:
        """Return a scene's own part with the hold that a pedal adds."""
        hold = base.hold
        for binding in self._each("hold"):
            hold = binding.hold or hold
        return base if hold == base.hold else replace(base, hold=hold)

    def transposition(self, base: Tonight) -> dict[str, Any]:
        """Return the parts of the transposition that pedals change, as fields of ``Tonight``."""
        parts: dict[str, Any] = {}
        for binding in self._each("transpose"):
            if binding.kind == "momentary":
                name = transposition_field(binding)
                wanted = transposed(binding, parts.get(name, getattr(base, name)))
                parts[name] = type(wanted)(TRANSPOSITIONS[binding.unit].clamp(wanted))
        return parts

    def tonight(self, base: Tonight, names: Iterable[str]) -> Tonight:
        """Return the global settings with what pedals add."""
        if not self.active:
            return base
        every = frozenset(names)

        def added(action: str, before: frozenset[str]) -> frozenset[str]:
            for binding in self._each(action):
                before |= every if binding.voice is None else {binding.voice}
            return before

        kept = base.keep_touch_up
        for binding in self._each("bypass"):
            names = every if binding.voice is None else frozenset((binding.voice,))
            kept = kept | names if binding.keep_touch_up else kept - names
        return replace(
            base,
            bypass=added("bypass", base.bypass),
            keep_touch_up=kept,
            mute=added("mute", base.mute),
            solo=added("solo", base.solo),
            **self.transposition(base),
        )

    def settings(self, voice: str, base: VoiceSettings) -> VoiceSettings:
        """Return a voice's settings with what pedals add."""
        for binding in self._each("set"):
            if binding.voice in (None, voice) and binding.setting is not None:
                base = changed(binding, base)
        return base


def transposition_field(binding: Binding) -> str:
    """Return the field of ``Tonight`` that a binding with action transpose changes."""
    return f"transpose_{binding.unit}"


def transposed(binding: Binding, now: float) -> float:
    """Return the transposition, in its unit, that a binding makes of another one."""
    wanted = (binding.to or 0.0) if binding.by is None else now + binding.by
    # Rounded, so that a step up and down again by cents comes back to where it was.
    return round(wanted, 6) if binding.unit == "cents" else int(wanted)


def changed(binding: Binding, settings: VoiceSettings) -> VoiceSettings:
    """Return what a ``set`` by a switch makes of settings, within the limits."""
    name = binding.setting or ""
    if name == "degrees" and settings.scale is None:
        return settings  # degrees of a continuous scale mean nothing
    now = getattr(settings, name)
    value: Any = kept_value(name, (binding.to or 0.0) if binding.by is None else now + binding.by)
    return settings if value == now else replace(settings, **{name: value})


def kept_value(setting: str, value: float) -> float:
    """Return a value as a setting takes it: within its limits, and whole where it must be."""
    kept = VOICE_SETTINGS[setting].clamp(value)
    return round(kept) if setting in WHOLE_SETTINGS else float(kept)
