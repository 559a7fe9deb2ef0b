"""The commands that change global settings, which lie over all scenes.

Concert pitch, transposition, touch-up, bypass, solo and mute. When each is heard is said by
``Live.use_tonight``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ..errors import CommandError
from . import commands
from .dispatch import Dispatcher
from .engine_state import EngineState
from .ledger import Outputs
from .limits import (
    CONCERT_A_RANGE_HZ,
    FOLLOW_STEP_CENTS,
    TOUCH_UP_OFFSET_CENTS,
    TOUCH_UP_REFERENCE_CENTS,
    TOUCH_UP_STRETCH_CENTS,
    TRANSPOSE_CENTS,
    TRANSPOSE_DEGREES,
    TRANSPOSE_SEMITONES,
)
from .live_settings import Live


class GlobalSettings:
    """Changes the global settings that are kept; what pedals add lies over them."""

    def __init__(self, shared: EngineState, live: Live) -> None:
        self._shared = shared
        self._live = live

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands about global settings."""
        table.add(commands.ChangeTonight, self._change_tonight, self._check_tonight)
        table.add(commands.SetTouchUp, self._touch_up, self._check_touch_up)
        table.add(commands.Follow, self._follow, self._check_follow)
        table.add(commands.Bypass, self._bypass, self._check_voices)
        table.add(commands.Mute, self._mute, self._check_voices)
        table.add(commands.Solo, self._solo, self._check_voices)

    def _check_tonight(self, command: commands.ChangeTonight) -> None:
        for name, value, allowed in (
            ("concert_a_hz", command.concert_a_hz, CONCERT_A_RANGE_HZ),
            ("transpose_semitones", command.transpose_semitones, TRANSPOSE_SEMITONES),
            ("transpose_cents", command.transpose_cents, TRANSPOSE_CENTS),
            ("transpose_degrees", command.transpose_degrees, TRANSPOSE_DEGREES),
        ):
            if value is not None and value not in allowed:
                raise CommandError(f"{name}: found {value}; allowed: {allowed}")

    def _change_tonight(self, command: commands.ChangeTonight, outputs: Outputs) -> None:
        asked: dict[str, Any] = {name: getattr(command, name) for name in command.__slots__}
        changes = {name: value for name, value in asked.items() if value is not None}
        self._live.use_tonight(replace(self._shared.base_tonight, **changes), outputs)

    def _check_touch_up(self, command: commands.SetTouchUp) -> None:
        self._shared.voice(command.voice)
        touch_up = command.touch_up
        for name, value, allowed in (
            ("offset_cents", touch_up.offset_cents, TOUCH_UP_OFFSET_CENTS),
            ("stretch_cents", touch_up.stretch_cents, TOUCH_UP_STRETCH_CENTS),
            ("reference_cents", touch_up.reference_cents, TOUCH_UP_REFERENCE_CENTS),
        ):
            if value not in allowed:
                raise CommandError(f"{name}: found {value:g}; allowed: {allowed}")

    def _check_follow(self, command: commands.Follow) -> None:
        if command.touch_up is not None:
            self._check_touch_up(commands.SetTouchUp(command.voice, command.touch_up))
        if command.sounding_cents not in FOLLOW_STEP_CENTS:
            raise CommandError(
                f"sounding_cents: found {command.sounding_cents:g}; allowed: {FOLLOW_STEP_CENTS}"
            )
        self._shared.voice(command.voice)

    def _follow(self, command: commands.Follow, outputs: Outputs) -> None:
        state = self._shared.voice(command.voice)
        self._live.use_follow(state, command.touch_up, command.sounding_cents, outputs)

    def _touch_up(self, command: commands.SetTouchUp, outputs: Outputs) -> None:
        tonight = self._shared.base_tonight
        touch_up = {**tonight.touch_up, command.voice: command.touch_up}
        follow = self._shared.follow
        self._shared.follow = {n: one for n, one in follow.items() if n != command.voice}
        self._live.use_tonight(replace(tonight, touch_up=touch_up), outputs)

    def _check_voices(self, command: commands.Bypass | commands.Mute | commands.Solo) -> None:
        self._shared.names(command.voice)

    def _switched(
        self, now: frozenset[str], command: commands.Bypass | commands.Mute | commands.Solo
    ) -> frozenset[str]:
        names = self._shared.names(command.voice)
        return now | names if command.on else now - names

    def _bypass(self, command: commands.Bypass, outputs: Outputs) -> None:
        tonight = self._shared.base_tonight
        bypass = self._switched(tonight.bypass, command)
        names = self._shared.names(command.voice)
        kept = tonight.keep_touch_up - names
        if command.on and command.keep_touch_up:
            kept |= names
        self._live.use_tonight(replace(tonight, bypass=bypass, keep_touch_up=kept), outputs)

    def _mute(self, command: commands.Mute, outputs: Outputs) -> None:
        tonight = self._shared.base_tonight
        mute = self._switched(tonight.mute, command)
        self._live.use_tonight(replace(tonight, mute=mute), outputs)

    def _solo(self, command: commands.Solo, outputs: Outputs) -> None:
        tonight = self._shared.base_tonight
        solo = self._switched(tonight.solo, command)
        self._live.use_tonight(replace(tonight, solo=solo), outputs)
