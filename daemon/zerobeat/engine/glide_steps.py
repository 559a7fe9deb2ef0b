"""The steps of glides: how often each bend moves, and which voice is next.

All glides of an output together take at most ``SHARE`` of its bytes; voices take turns. A step's
value is worked out as it leaves (``MovingBend``), and only the newest of a voice waits, behind
every note: a glide is never in the way of a note.
"""

from __future__ import annotations

from .engine_state import EngineState
from .ledger import Outputs
from .player import Player
from .voice import VoiceState

SHARE = 0.6  # of an output's bytes, for all its glides
BEND_BYTES = 3
LEAST_STEP_S = 0.001  # between two steps of one voice
LONGEST_STEP_S = 0.05  # a glide that hardly moves is looked at so often
STEPS_A_MS = 5  # of an output without a budget: what a small computer works out beside notes


class GlideSteps:
    """Moves the voices of ``EngineState.gliding``."""

    def __init__(self, shared: EngineState, player: Player) -> None:
        self._shared = shared
        self._player = player
        self._free_s: dict[str, float] = {}  # when an output has room for the next step

    @property
    def wake_at_s(self) -> float | None:
        """Return when the next step is due; None if nothing glides."""
        soonest: float | None = None
        for name, waiting in self._shared.gliding.items():
            if waiting:
                due_s = min(state.step_s for state in waiting)
                due_s = max(due_s, self._free_s.get(name, due_s))
                soonest = due_s if soonest is None else min(soonest, due_s)
        return soonest

    def take(self, outputs: Outputs) -> None:
        """Move the voices that are due, as far as their outputs have room."""
        shared = self._shared
        now_s = shared.now_s
        for name, waiting in tuple(shared.gliding.items()):
            slot_s, early_s = self._room(name)
            for _ in range(len(waiting)):
                if self._free_s.get(name, now_s) > now_s:
                    break
                state = waiting.popleft()
                if shared.voices.get(state.voice.name) is not state:
                    continue  # a reload took it
                if state.step_s > now_s:
                    waiting.append(state)
                    continue
                shared.current = state
                if self._step(state, outputs):
                    free_s = self._free_s.get(name, now_s)
                    self._free_s[name] = max(free_s, now_s - early_s) + slot_s
                if state.glide is not None and state.step_s > now_s:
                    waiting.append(state)
            if not waiting:
                del shared.gliding[name]

    def _room(self, name: str) -> tuple[float, float]:
        """Return the time of one step on an output, and how much of it may be saved up."""
        rates = (o.converter.bytes_per_second for o in self._shared.rig.outputs if o.name == name)
        rate = next(rates, None)
        if rate is not None:
            return BEND_BYTES / (SHARE * rate), 0.0
        return LEAST_STEP_S / STEPS_A_MS, LEAST_STEP_S

    def _step(self, state: VoiceState, outputs: Outputs) -> bool:
        """Move one voice; return whether a bend is sent. A way that ends leaves no ``glide``."""
        shared, glide = self._shared, state.glide
        now_s = shared.now_s
        if glide is None or state.target_cents is None or state.note is None:
            state.glide = None
            return False
        if not state.heard(now_s):
            glide.stop()  # the bend is left alone (B2); the next note's glide begins there
            state.step_s = now_s
            return False
        if glide.ends_s <= now_s:
            state.glide = None
        else:
            step_cents = state.voice.bend_range_cents / 8192.0
            pace_s = step_cents / max(glide.cents_a_second(now_s), 1e-9)
            pace_s = min(max(pace_s, LEAST_STEP_S), LONGEST_STEP_S)
            state.step_s = min(now_s + pace_s, glide.ends_s)
        if state.glides_across and self._player.cross(state, outputs):
            return True
        if state.glide is None and abs(state.left_cents) > state.voice.bend_range_cents:
            state.move_waits = True  # its gate has closed on the way from number to number
        before, state.bend = state.bend, self._player.bend_now(state)
        lane = state.lane
        if not lane.up or state.moving_bend is None:
            return False
        if state.bend == before and state.glide is not None:
            return False
        glide.sent_s = now_s
        outputs.append((lane.output, state.moving_bend))
        return True
