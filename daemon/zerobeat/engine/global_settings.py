"""Tonight lies over all scenes: concert pitch, transposition, touch-up, bypass, solo, mute.

What it changes is heard at once, by bend; but its transposition at the next
note, and solo and mute at the next key.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ..errors import CommandError
from . import commands
from .chain import Chain
from .ledger import Outputs
from .settings import Tonight

if TYPE_CHECKING:
    from .engine import Engine
    from .live_settings import Live


class OverAll:
    """Serves the commands about tonight, which ``Live.tonight`` keeps."""

    def __init__(self, engine: Engine, live: Live) -> None:
        self._engine = engine
        self._live = live

    def handlers(self) -> dict[type, Callable[[Any, str, Outputs], None]]:
        """Return what serves each command about tonight."""
        return {
            commands.ChangeTonight: self._change_tonight,
            commands.SetTouchUp: self._touch_up,
            commands.Bypass: self._bypass,
            commands.Mute: self._mute,
            commands.Solo: self._solo,
        }

    def _over_all(self, tonight: Tonight, outputs: Outputs) -> None:
        """Take another tonight: at once by bend, but its transposition at the next note."""
        self._live.tonight = tonight
        engine = self._engine
        for state in engine.states.values():
            engine.current = state
            following = Chain(state.voice, state.settings, tonight)
            if not state.lane.notes and not state.voice.gate_ignored:
                state.chain = following
                continue
            waits = state.move_waits  # for settings that are out of the bend's reach
            state.chain = state.sounding.with_tonight(tonight)
            engine.player.relocate(state, outputs)
            state.move_waits = state.move_waits or waits
            state.chain = following

    def _change_tonight(
        self, command: commands.ChangeTonight, source: str, outputs: Outputs
    ) -> None:
        tonight = self._live.tonight
        if command.concert_a_hz is not None:
            if not 200.0 <= command.concert_a_hz <= 900.0:
                raise CommandError(
                    f"concert_a_hz: found {command.concert_a_hz}; allowed: 200 to 900"
                )
            tonight = replace(tonight, concert_a_hz=command.concert_a_hz)
        if command.transpose_semitones is not None:
            if not -60 <= command.transpose_semitones <= 60:
                raise CommandError(
                    f"transpose_semitones: found {command.transpose_semitones}; allowed: -60 to 60"
                )
            tonight = replace(tonight, transpose_semitones=command.transpose_semitones)
        self._over_all(tonight, outputs)

    def _touch_up(self, command: commands.SetTouchUp, source: str, outputs: Outputs) -> None:
        self._live.state(command.voice)
        touch_up = {**self._live.tonight.touch_up, command.voice: command.touch_up}
        self._over_all(replace(self._live.tonight, touch_up=touch_up), outputs)

    def _bypass(self, command: commands.Bypass, source: str, outputs: Outputs) -> None:
        if command.voice is None:
            names = frozenset(self._engine.states)
        else:
            names = frozenset((self._live.state(command.voice).voice.name,))
        bypass = (
            self._live.tonight.bypass | names if command.on else self._live.tonight.bypass - names
        )
        self._over_all(replace(self._live.tonight, bypass=bypass), outputs)

    def _mute(self, command: commands.Mute, source: str, outputs: Outputs) -> None:
        name = frozenset((self._live.state(command.voice).voice.name,))
        mute = self._live.tonight.mute | name if command.on else self._live.tonight.mute - name
        self._keys_only(replace(self._live.tonight, mute=mute))

    def _solo(self, command: commands.Solo, source: str, outputs: Outputs) -> None:
        name = frozenset((self._live.state(command.voice).voice.name,))
        solo = self._live.tonight.solo | name if command.on else self._live.tonight.solo - name
        self._keys_only(replace(self._live.tonight, solo=solo))

    def _keys_only(self, tonight: Tonight) -> None:
        """Solo and mute act on the keys to come, never on one that is down."""
        self._live.tonight = tonight
        self._engine.assigner.use(self._live.scene, tonight)
