"""Takes back the last change of a setting: a scene, a voice's setting, a global one.

Whoever changes settings calls ``remember`` before: a command of a client, a press of a pedal, a
key that sets a root. What was remembered and differs from what is wanted now is what
``ChangeHistory`` brings back, one change after the other. A store is no change of a setting.
"""

from __future__ import annotations

from typing import NamedTuple

from ..errors import CommandError
from . import commands
from .dispatch import Dispatcher
from .engine_state import EngineState
from .ledger import Outputs
from .live_settings import Live
from .settings import Rig, Scene, Tonight

MOST_REMEMBERED = 20


class Remembered(NamedTuple):
    """What the player wanted before a change."""

    scene: Scene
    tonight: Tonight


class ChangeHistory:
    """Remembers what was wanted before each change.

    Attributes:
        taken_back: what the last undo has changed, in words.
    """

    def __init__(self, shared: EngineState, live: Live) -> None:
        self._shared = shared
        self._live = live
        self._past: list[Remembered] = []
        self._rig: Rig = shared.rig
        self.taken_back = ""

    def add_to(self, table: Dispatcher) -> None:
        """Handle the command that undoes."""
        table.add(commands.Undo, self._undo, self._check)

    def remember(self) -> None:
        """Note what is wanted now, before something changes it."""
        if self._rig is not self._shared.rig:
            self._rig = self._shared.rig
            self._past.clear()
        now = self._now()
        if not self._past or self._past[-1] != now:
            self._past.append(now)
            del self._past[:-MOST_REMEMBERED]

    def forget(self) -> None:
        """Forget all: what was wanted has another name now."""
        self._past.clear()

    def _now(self) -> Remembered:
        return Remembered(self._live.wanted(), self._shared.base_tonight)

    def _check(self, command: commands.Undo) -> tuple[Remembered, Remembered]:
        """Return what is wanted now and what an undo brings back."""
        now = self._now()
        for before in reversed(self._past if self._rig is self._shared.rig else []):
            if before != now:
                return now, before
        raise CommandError("no change of a setting is left to undo")

    def _undo(self, command: commands.Undo, outputs: Outputs) -> None:
        now, before = self._check(command)
        while self._past.pop() != before:
            pass
        self.taken_back = _words(now, before)
        if before.tonight != now.tonight:
            self._live.use_tonight(before.tonight, outputs)
        if before.scene != now.scene:
            self._live.want_back(before.scene, outputs)
            if self._shared.something_waits:
                self.taken_back += "; heard as the hold says"


def _words(now: Remembered, before: Remembered) -> str:
    """Return what differs: names of settings, and whose."""
    found = [
        name.replace("_", " ")
        for name in Tonight.__slots__
        if getattr(now.tonight, name) != getattr(before.tonight, name)
    ]
    if now.scene.name != before.scene.name:
        return ", ".join((*found, f"recall of {now.scene.name}"))
    found += [
        name.replace("_", " ")
        for name in Scene.__slots__
        if name != "voices" and getattr(now.scene, name) != getattr(before.scene, name)
    ]
    changed: dict[str, list[str]] = {}
    for voice, settings in now.scene.voices.items():
        was = before.scene.of(voice)
        differing = [n for n in type(was).__slots__ if getattr(was, n) != getattr(settings, n)]
        if differing:
            changed.setdefault(", ".join(differing), []).append(voice)
    for names, voices in changed.items():
        everyone = len(voices) == len(now.scene.voices) > 1
        found.append(f"{names} of {'all' if everyone else ', '.join(voices)}")
    return "; ".join(found)
