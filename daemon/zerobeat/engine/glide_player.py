"""What of a voice's way to its pitch is decided as it begins, and where it is at any time.

A number is chosen whose bend reaches both ends of the way; ``glide_steps`` then moves the bend.
"""

from __future__ import annotations

from collections import deque

from ..tuning import bend
from .chain import Chain, Rest
from .engine_state import EngineState
from .glide import Glide, new_glide
from .ledger import MovingBend
from .voice import Held, VoiceState


class GlidePlayer:
    """Begins glides and says where they are."""

    def __init__(self, shared: EngineState) -> None:
        self._shared = shared

    def begin(
        self,
        state: VoiceState,
        chain: Chain,
        held: Held,
        target_cents: float,
        from_cents: float | None,
        gate: bool,
    ) -> Glide | None:
        """Let a voice be on its way to a new pitch, if its settings or its keyboard want that.

        Args:
            state: the voice; its ``glide`` is set.
            chain: the settings that it is to have.
            held: its new key.
            target_cents: where the scale puts that.
            from_cents: where the voice is heard, or was left; None if nowhere.
            gate: whether its gate is open.

        Returns:
            The glide, or None.
        """
        shared, settings = self._shared, chain.settings
        state.glide = None
        smooth_cents = self._shared.smooth_cents(state, chain)
        milliseconds, legato = settings.glide_ms, settings.glide_when == "legato"
        said = shared.glide_controls.get(held.source) if shared.glide_controls else None
        if said is not None:
            milliseconds = said.milliseconds(settings)
            if said.from_key is not None:
                first, _ = chain.target(100.0 * said.from_key)
                from_cents = None if first is None else chain.sounding(first + smooth_cents)
                legato = False
        if from_cents is None or not milliseconds or (legato and not gate):
            return None
        way_cents = from_cents - chain.sounding(target_cents + smooth_cents)
        state.glide = new_glide(settings, milliseconds, way_cents, shared.now_s)
        if state.glide is not None:
            self._look_after(state)
        return state.glide

    def _look_after(self, state: VoiceState) -> None:
        """Let a glide be carried on by ``GlideSteps``."""
        shared, lane = self._shared, state.lane
        state.step_s = shared.now_s
        if state.moving_bend is None:
            state.moving_bend = MovingBend(lane.channel, lambda at_s: self.bend_at(state, at_s))
        waiting = shared.gliding.setdefault(lane.output, deque())
        if state not in waiting:
            waiting.append(state)

    # ------------------------------------------------------------ numbers

    def rest(self, state: VoiceState, chain: Chain, rest: Rest) -> Rest:
        """Return where a note is to be struck: by a number whose bend reaches the whole way.

        Without such a number there is no glide: the note sounds where it is to arrive.
        """
        if state.glide is None:
            return rest
        voice = state.voice
        number = bend.gliding_note(
            self._path_cents(state, chain, rest.target_cents),
            rest.commanded_cents,
            voice.lowest_note,
            voice.highest_note,
            voice.bend_range_cents,
            chain.note_errors_cents,
            whole_way=not state.glides_across,
        )
        if number is None:
            state.glide = None
            state.glides_missed += 1
            return rest
        return rest._replace(note=number)

    def slurs(self, state: VoiceState, chain: Chain, rest: Rest, note: int) -> bool:
        """Return whether a sounding number carries a glide; it chirps if it changes."""
        reach = state.voice.bend_range_cents
        now_cents = self._path_cents(state, chain, rest.target_cents)
        here = abs(chain.left_over(now_cents, note)) <= reach
        end = abs(chain.left_over(rest.commanded_cents, note)) <= reach
        return here and (end or state.glides_across)

    def keep(self, state: VoiceState, chain: Chain, rest: Rest, note: int) -> None:
        """Let a glide end at once that a landing has put out of the bend's reach."""
        path_cents = self._path_cents(state, chain, rest.target_cents)
        if abs(chain.left_over(path_cents, note)) > state.voice.bend_range_cents:
            state.glide = None

    # ------------------------------------------------------------ on the way

    def bend(self, state: VoiceState, smooth_cents: float) -> tuple[int, bool]:
        """Return the bend of a voice's number now, and whether it had to be clamped."""
        return self._bend(state, smooth_cents, self._shared.now_s)

    def bend_at(self, state: VoiceState, at_s: float) -> int | None:
        """Return the bend of a voice's number at a time; None if it has no pitch any more."""
        if state.target_cents is None or state.note is None:
            return None
        return self._bend(state, self._shared.smooth_cents(state, state.sounding), at_s)[0]

    def _bend(self, state: VoiceState, smooth_cents: float, at_s: float) -> tuple[int, bool]:
        chain = state.sounding
        assert state.target_cents is not None and state.note is not None
        if state.glide is None:
            commanded = chain.command(state.target_cents + smooth_cents)
        else:
            pitch = chain.sounding(state.target_cents + smooth_cents)
            commanded = chain.command_sounding(pitch + state.glide.cents_at(at_s))
        left = chain.left_over(commanded, state.note)
        return bend.clamp_bend(left, state.voice.bend_range_cents)

    def path_cents(self, state: VoiceState) -> float:
        """Return what is to be commanded now of a voice that has a pitch."""
        assert state.target_cents is not None
        return self._path_cents(state, state.sounding, state.target_cents)

    def _path_cents(self, state: VoiceState, chain: Chain, target_cents: float) -> float:
        """Return what is to be commanded now, on the way to a pitch of the scale."""
        pitch = chain.sounding(target_cents + self._shared.smooth_cents(state, chain))
        if state.glide is not None:
            pitch += state.glide.cents_at(self._shared.now_s)
        return chain.command_sounding(pitch)
