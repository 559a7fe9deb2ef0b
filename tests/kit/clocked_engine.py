"""Engine and wire with a keyboard, a sequencer that sends the clock, and a pad beside them.

case = ClockedEngineHarness(Scene("night", hold="trigger", triggers=(BAR,)))
case.start()
case.ticks(96)  # clocks 0 to 95
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.settings import Input, Scene, Trigger, Voice
from zerobeat.midi import CLOCK, START, NoteOff, NoteOn

STEPS = Input("steps", "Step Box:Step Box MIDI 1")
PAD = Input("pad", "Pad:Pad MIDI 1", plays=False)
BAR = Trigger("clock", every=1, unit="bar")
BEAT = Trigger("clock", every=1, unit="beat")
KEY = Trigger("key")
TICK_S = 0.02  # 125 beats a minute


class ClockedEngineHarness(EngineHarness):
    """Time goes on by what is played.

    Attributes:
        ticked_s: when the last clock came.
    """

    ticked_s = 0.0

    def __init__(
        self,
        *scenes: Scene,
        voices: int | Sequence[Voice] = 2,
        clock_from: str | None = "steps",
        **rig: Any,
    ) -> None:
        plugged = small_rig(voices, inputs=(KEYS, STEPS, PAD), **rig)
        super().__init__(
            plugged.__class__(plugged.inputs, plugged.outputs, plugged.voices, clock_from), scenes
        )

    @property
    def clock(self) -> Any:
        return self.engine.triggers.clock

    def start(self) -> None:
        self.hear(START, "steps")
        self.ticked_s = self.now_s

    def ticks(self, count: int, gap_s: float = TICK_S) -> None:
        """Play clocks, each ``gap_s`` after the one before, whatever was played between."""
        for _ in range(count):
            self.ticked_s = max(self.now_s, self.ticked_s + gap_s)
            self.hear(CLOCK, "steps", self.ticked_s - self.now_s)

    def lose_ticks(self, count: int) -> None:
        """Let clocks pass that never arrive."""
        self.ticked_s += count * TICK_S

    def key(self, key: int, after_s: float = 0.01, source: str = "keys", channel: int = 0) -> Any:
        return self.hear(NoteOn(channel, key, 100), source, after_s)

    def up(self, key: int, after_s: float = 0.01, source: str = "keys", channel: int = 0) -> Any:
        return self.hear(NoteOff(channel, key), source, after_s)

    def change(self, after_s: float = 0.01, voice: str | None = None, **changes: Any) -> None:
        self.hear(commands.ChangeVoice(voice, tuple(changes.items())), "", after_s)

    def semitones(self) -> list[int]:
        """Return the transposition in force of each voice."""
        return [state.settings.semitones for state in self.engine.states.values()]

    def pitches(self) -> list[float | None]:
        """Return the cents that each voice was last commanded."""
        return [state.commanded_cents for state in self.engine.states.values()]
