"""Follow as a whole, without I/O: the stream and readings in, moves and a report out.

Time comes as an argument. Live audio and the virtual evening of ``demo --follow`` drive the same
object; they differ only in where a stretch of sound comes from.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..errors import TakeRefusedError
from ..measure.pitch.reader import Pitch
from .common_drift import CommonDrift
from .drift_model import NOTE_SIGMA_CENTS, DriftModel, DriftReading
from .expected_pitch import ExpectedPitch
from .hand import (
    AGREEING_VOICES,
    MOVED_WINDOW_S,
    SOUNDING_EVERY_S,
    FollowHand,
    FollowLimits,
    is_sure,
    sounding_step,
)
from .kept_drift import KeptKnob
from .probe import MoveProbe
from .quick_reading import QuickReader
from .stretches import ListenedVoice, Stretch, StretchPicker
from .trust import VoiceTrust

KNOB_CENTS, KNOB_SIGMAS = 1.0, 4.0  # beyond both together no drift can have been
KNOB_READINGS = 3  # in a row that agree
KNOB_ALIKE_CENTS = 1.0
KNOB_BACK_CENTS = 1.0  # so close to where it was, it is back
JUDGED_READINGS, MOST_UNEXPLAINED = 20, 5  # more of the newest readings: no drift, a modulation
YOUNG_READINGS = 100  # a voice that is found not followable so early was never in tune by follow
MOVING_CENTS = 0.8  # within a stretch: no steady pitch
MOST_STRETCH_CENTS_AN_OCTAVE = 6.0
MOST_RATE_CENTS_PER_S = 6.0 / 60.0  # a faster drift is a hand or a modulation
UNSHOWN_SHARE = 0.3  # of its moves that the input may fail to show
PROVEN_BELOW = 0.6  # the share of an oscillator that shows no moves is 1
LEAST_MOVED_CENTS = 1.0  # before a voice whose moves are not shown is given up
GRID_SHARE = 0.55  # of whole steps: a smaller error is left alone
GRID_PAUSE_S = 8.0  # after whole steps were found, until the voice is known again
NOTE_EVERY_S = 1.0  # between two moves for the next note
NOT_SHOWN = "its input does not show its moves: another oscillator's, or locked"
STALE_S = 60.0  # after so long without a reading a voice rests
REFUSED_IN_A_ROW = 12  # then, and while a voice is not followable, it is read less often
SELDOM_S = 3.0
SKIPPED_READINGS = 4  # the first ones say nothing of what is left over
LEARNED_SIGMA_CENTS = 0.25  # nor does one of a note about which less was known
UNMEASURED_NOTE_CENTS = 0.3  # one sigma of a note's own error, where there is no profile
SAID_CENTS = 1.0  # a line in the log for so much
SAID_REFUSED_S = 60.0
AGREED_CENTS = 1.0  # within ten minutes, to agree that the case drifts
RESTING_SHOWN_CENTS = 0.5  # a resting voice is left alone below


@dataclass(frozen=True, slots=True)
class FollowMove:
    """What the daemon is asked to take out of a voice.

    Attributes:
        offset_cents, stretch_cents, reference_cents: the whole drift, for the next note; None
            takes out what a hand has set alone.
        sounding_cents: by how much a sounding note is moved now, sharp drift positive.
    """

    voice: str
    offset_cents: float | None
    stretch_cents: float = 0.0
    reference_cents: float = 6000.0
    sounding_cents: float = 0.0


@dataclass(frozen=True, slots=True)
class FollowedVoice:
    """A voice that is to be followed.

    Attributes:
        step_cents: a step of what reaches the oscillator: bend or DAC, the larger.
        reach_cents: of the bend.
        drift: what was believed last (offset, stretch, age in seconds), or None.
        note_sigma_cents: of the profile's error at a note.
        knob: that a hand had turned before follow was started again.
    """

    name: str
    input: str
    always_heard: bool = False
    reference_cents: float = 6000.0
    step_cents: float = 0.05
    reach_cents: float = 100.0
    drift: tuple[float, float, float] | None = None
    note_sigma_cents: float = NOTE_SIGMA_CENTS
    knob: KeptKnob | None = None


@dataclass(slots=True)
class _Voice:
    """One voice while it is followed."""

    facts: FollowedVoice
    model: DriftModel
    trust: VoiceTrust = field(default_factory=VoiceTrust)
    hand: FollowHand = field(default_factory=FollowHand)
    touched_at_s: float | None = None
    here_cents: float = 0.0  # a knob that was turned, and is in tune where it stands
    knob: list[float] = field(default_factory=list)  # readings in a row that no drift explains
    knob_cents: float | None = None
    off: bool = False
    lost: str = ""  # why it is not followed any more
    verdict: str = ""
    stretch_cents: float = 0.0  # taken out
    moved_s: float = -math.inf
    explained: deque[bool] = field(default_factory=lambda: deque(maxlen=JUDGED_READINGS))
    probe: MoveProbe = field(default_factory=MoveProbe)
    quick: QuickReader = field(default_factory=QuickReader)
    applied_range: tuple[float, float] = (math.inf, -math.inf)  # of its readings
    agreed_s: float = -math.inf
    sounding_s: float = -math.inf
    last_pitch_cents: float | None = None
    refusal: str = ""
    refused: int = 0  # in a row
    refused_since_s: float | None = None
    said_cents: float = 0.0
    said_refused: bool = False
    said_why: str = ""


class Follower:
    """Follows the voices of a rig.

    Args:
        voices: that are to be followed.
        now_s: monotonic seconds.
        others: voices that are only heard, on the same inputs.
        limits: how far it may go.
        power_on_s: monotonic seconds of power-on.
        seed: of the times at which notes are read.

    Attributes:
        off: nothing is moved.
        picker: chooses what is read.
    """

    def __init__(
        self,
        voices: Sequence[FollowedVoice],
        now_s: float,
        others: Sequence[ListenedVoice] = (),
        limits: FollowLimits | None = None,
        power_on_s: float = 0.0,
        seed: int = 0,
    ) -> None:
        self._limits = limits or FollowLimits()
        self._power_on_s = power_on_s
        self.off = False
        self._voices = {facts.name: _fresh(facts, now_s, facts.drift) for facts in voices}
        listened = [ListenedVoice(v.name, v.input, v.always_heard) for v in voices]
        self.picker = StretchPicker([*listened, *others], seed)
        self._common = CommonDrift([facts.name for facts in voices])
        self._pending: list[FollowMove] = []
        self._said: list[str] = []
        self._turn = 0

    @property
    def names(self) -> tuple[str, ...]:
        """The voices that are followed."""
        return tuple(self._voices)

    def readings(self, voice: str) -> int:
        """Return how often a voice was read."""
        return self._voices[voice].model.readings

    # ------------------------------------------------------------ the stream

    def hear(self, line: ExpectedPitch) -> None:
        """Take one line of the stream."""
        self.picker.hear(line)
        state = self._voices.get(line.voice)
        if state is None:
            return
        if line.pitch_cents is not None:
            state.last_pitch_cents = line.pitch_cents
        if state.touched_at_s is None:
            state.touched_at_s = line.touched_at_s
            knob = state.facts.knob
            if knob is not None and knob.touched_at_s == line.touched_at_s:
                state.here_cents, state.knob_cents = knob.here_cents, knob.knob_cents

    def touched_anew(self, line: ExpectedPitch) -> bool:
        """Start a voice anew if a hand has touched it up; return whether."""
        state = self._voices.get(line.voice)
        if state is None or line.touched_at_s == state.touched_at_s:
            return False
        self._restart(line.voice, line.at_s)
        self._voices[line.voice].touched_at_s = line.touched_at_s
        self._said.append(f"{line.voice}: touched up by hand; follow starts anew")
        return True

    def in_force(
        self,
        voice: str,
        now_s: float,
        whole: tuple[float, float, float],
        by_hand: tuple[float, float, float],
    ) -> None:
        """Take what the daemon takes out now: (offset, stretch, reference), and of it by hand."""
        state = self._voices.get(voice)
        if state is None:
            return
        reference = state.facts.reference_cents
        state.stretch_cents = whole[1]
        state.hand.restart(now_s, _at(whole, reference), _at(by_hand, reference))
        state.said_cents = state.hand.applied_cents
        if not state.model.readings and state.facts.drift is None:
            state.model.believe(_at(whole, reference), whole[1])

    def stream_lost(self) -> None:
        """The stream lost lines: what was meant to sound before now is not known."""
        self.picker.forget()

    def _restart(self, name: str, now_s: float) -> None:
        old = self._voices[name]
        fresh = self._voices[name] = _fresh(old.facts, now_s, None)
        fresh.off, fresh.stretch_cents, fresh.touched_at_s = (
            old.off,
            old.stretch_cents,
            old.touched_at_s,
        )
        fresh.hand.restart(now_s, old.hand.applied_cents, old.hand.by_hand_cents)
        fresh.model.believe(old.hand.applied_cents, old.stretch_cents)

    # ------------------------------------------------------------ what the player asks

    def ask(self, voice: str, what: str, now_s: float) -> None:
        """Do what the player asks of a voice: ``on``, ``off``, ``here`` or ``back``."""
        state = self._voices.get(voice)
        if state is None:
            return
        if what == "off":
            state.off = True
        elif what == "on" and (state.off or state.lost):
            self._restart(voice, now_s)
            self._voices[voice].off = False
        elif what == "here" and state.knob_cents is not None:
            state.here_cents += state.knob_cents
            state.knob_cents = None
            self._said.append(f"{voice}: in tune where its knob stands")
        elif what == "back" and state.knob_cents is not None:
            state.model.shift(state.knob_cents)
            self._said.append(f"{voice}: {state.knob_cents:+.1f} cents of its knob taken out")
            state.knob_cents = None
            drift, _ = state.model.drift_at(state.facts.reference_cents, now_s)
            state.hand.restart(now_s, drift, drift)
            self._pending.append(self._move(state, drift))

    # ------------------------------------------------------------ listening

    def next_stretch(self, now_s: float) -> Stretch | None:
        """Return sound that is to be read now, the voices in turn; None: nothing yet."""
        names = self.names
        for step in range(len(names)):
            name = names[(self._turn + step) % len(names)]
            if self.off or self._voices[name].off:
                continue
            found = self.picker.pick(name, now_s)
            if found is not None:
                self._turn = (self._turn + step + 1) % len(names)
                return found
        return None

    def read(self, stretch: Stretch, samples: Any, rate_hz: float) -> None:
        """Read the pitch of a stretch's samples, shape (n,), and take it in."""
        expected = stretch.expected
        assert expected.pitch_cents is not None and expected.profile_cents is not None
        state = self._voices[stretch.voice]
        drift, _ = state.model.drift_at(expected.pitch_cents, stretch.from_s)
        believed = expected.profile_cents + drift + state.here_cents + (state.knob_cents or 0.0)
        try:
            pitch = state.quick.read(samples, rate_hz, expected.pitch_cents, believed)
        except TakeRefusedError as error:
            self.refuse(stretch, error.reason)
            return
        self.take(stretch, pitch)

    def refuse(self, stretch: Stretch, reason: str) -> None:
        """Count a stretch that was not read."""
        state = self._voices[stretch.voice]
        self.picker.refused[stretch.voice][reason] += 1
        state.refusal = reason
        state.refused += 1
        if state.refused >= REFUSED_IN_A_ROW:
            self.picker.rest(stretch.voice, stretch.from_s + SELDOM_S)
        if state.refused_since_s is None:
            state.refused_since_s = stretch.from_s

    def take_cents(self, stretch: Stretch, cents: float, sigma_cents: float) -> None:
        """Take a pitch in that was read elsewhere, cents above key 0."""
        hertz = 440.0 * 2.0 ** ((cents - 6900.0) / 1200.0)
        self.take(stretch, Pitch(hertz, sigma_cents, -20.0, 0.0, 0.0, 1, 0.0))

    def take(self, stretch: Stretch, pitch: Pitch) -> None:
        """Take the pitch of a stretch in."""
        state = self._voices[stretch.voice]
        reading = _reading(stretch, pitch)
        moving = abs(reading.slope_cents_per_s) * stretch.seconds
        if moving > MOVING_CENTS + 4.0 * reading.slope_sigma * stretch.seconds:
            self.refuse(stretch, "moving")
            return
        if pitch.sigma_cents > 1.0:
            self.refuse(stretch, "unsure")
            return
        state.refusal, state.refused_since_s, state.said_refused = "", None, False
        state.refused = 0
        self.picker.passed_over.pop(stretch.voice, None)
        if state.verdict or state.lost:
            self.picker.rest(stretch.voice, stretch.from_s + SELDOM_S)
        reading = replace(reading, drift_cents=reading.drift_cents - state.here_cents)
        rested_s = reading.at_s - state.model.read_at_s
        if state.model.readings and rested_s > STALE_S:
            state.model.shift(self._common.moved_since(stretch.voice, state.model.read_at_s))
        scatter = max(state.trust.scatter_cents, state.probe.grid_cents / math.sqrt(12.0))
        left, sigma, unknown = state.model.surprise(reading, scatter)
        if state.knob_cents is not None:
            if abs(left) < min(KNOB_BACK_CENTS, abs(left - state.knob_cents)):
                self._said.append(f"{stretch.voice}: its knob is back")
                state.knob_cents = None
            else:  # drift goes on under the knob
                left -= state.knob_cents
                reading = replace(reading, drift_cents=reading.drift_cents - state.knob_cents)
        if abs(left) > KNOB_CENTS + KNOB_SIGMAS * sigma:
            state.explained.append(False)
            self._no_drift(stretch, state, left)
            return
        state.explained.append(True)
        state.knob.clear()
        if state.model.readings >= SKIPPED_READINGS and unknown < LEARNED_SIGMA_CENTS:
            state.trust.add(reading, left)
        least, most = state.applied_range
        applied = reading.applied_cents
        state.applied_range = (min(least, applied), max(most, applied))
        if state.probe.add(reading):
            state.model.doubt_moves()
            state.moved_s = reading.at_s + GRID_PAUSE_S
            state.applied_range = (applied, applied)
        state.model.add(reading, scatter)
        before = state.verdict
        state.verdict = state.trust.verdict(state.probe.likely_grid_cents)
        if state.verdict and not before and state.model.readings < YOUNG_READINGS:
            self._take_back(state)
        self._prove(state)

    def _take_back(self, state: _Voice) -> None:
        """Take out of a voice again only what was in force when follow began."""
        hand = state.hand
        if hand.applied_cents != hand.start_cents:
            hand.moved(state.model.at_s, hand.start_cents)
            self._pending.append(self._move(state, hand.start_cents))

    def _no_drift(self, stretch: Stretch, state: _Voice, left: float) -> None:
        """A change that no drift makes: a knob, if readings agree on it."""
        self.picker.refused[stretch.voice]["no drift"] += 1
        state.knob = [*state.knob[1 - KNOB_READINGS :], left]
        if (
            len(state.knob) == KNOB_READINGS
            and max(state.knob) - min(state.knob) < KNOB_ALIKE_CENTS
        ):
            cents = sorted(state.knob)[KNOB_READINGS // 2] + (state.knob_cents or 0.0)
            if state.knob_cents is None or abs(cents - state.knob_cents) > KNOB_ALIKE_CENTS:
                self._said.append(
                    f"{stretch.voice}: moved by {cents:+.1f} cents, which no drift does; left "
                    f"alone (zerobeat follow {stretch.voice} --here or --back)"
                )
            state.knob_cents = cents
            state.knob.clear()
            state.explained.clear()

    def _prove(self, state: _Voice) -> None:
        unshown, sigma = state.model.unshown
        least, most = state.applied_range
        if most - least < max(LEAST_MOVED_CENTS, 2.0 * state.probe.grid_cents):
            return
        if not state.lost and abs(unshown) - 2.0 * sigma > UNSHOWN_SHARE:
            state.lost = NOT_SHOWN
            self._said.append(f"{state.facts.name}: {state.lost}; taken back, not followed")
            self._pending.append(FollowMove(state.facts.name, None))
            state.hand.moved(state.model.at_s, state.hand.by_hand_cents)

    # ------------------------------------------------------------ moving

    def moves(self, now_s: float) -> list[FollowMove]:
        """Return what the daemon is to be asked now."""
        found, self._pending = self._pending, []
        if self.off:
            return found
        fresh = {
            name: state.model.drift_at(state.facts.reference_cents, now_s)[0]
            for name, state in self._voices.items()
            if now_s - state.model.read_at_s < STALE_S and not self._still(state)
        }
        self._common.step(now_s, fresh)
        agreeing = self._agreeing(now_s)
        for state in self._voices.values():
            if self._still(state) or not state.model.readings or not state.trust.enough:
                continue
            move = self._next_note(state, now_s, agreeing) or self._sounding(state, now_s)
            if move is not None:
                found.append(move)
        return found

    def _still(self, state: _Voice) -> str:
        """Return why a voice is left alone; "" if it is not."""
        if state.off:
            return "off"
        if state.lost:
            return state.lost
        if state.knob_cents is not None:
            return f"its knob was turned by {state.knob_cents:+.1f} cents: --here or --back"
        if state.knob:
            return "readings that no drift explains"
        if state.explained.count(False) > MOST_UNEXPLAINED:
            return "its readings jump as no drift does: vibrato or another modulation"
        if abs(state.model.rate_cents_per_s) - 2.0 * state.model.rate_sigma > MOST_RATE_CENTS_PER_S:
            return "it moves faster than drift"
        if abs(state.model.stretch_cents) > MOST_STRETCH_CENTS_AN_OCTAVE:
            return "more cents an octave than drift makes: measure it again"
        return state.verdict

    @staticmethod
    def _proven(state: _Voice) -> bool:
        unshown, sigma = state.model.unshown
        return abs(unshown) + 2.0 * sigma < PROVEN_BELOW or state.probe.grid_cents > 0.0

    def _hides_moves(self, state: _Voice) -> bool:
        """Return whether the input has not shown a voice's first small moves."""
        unshown, sigma = state.model.unshown
        return not self._proven(state) and abs(unshown) - 2.0 * sigma > UNSHOWN_SHARE

    def _agreeing(self, now_s: float) -> frozenset[str]:
        """Return the voices that drift, if three do: then the case warms up or cools down.

        Temperature moves each voice by its own loading, in either direction.
        """
        found: set[str] = set()
        for name, state in self._voices.items():
            if self._still(state) or now_s - state.model.read_at_s > STALE_S:
                continue
            drift, _ = state.model.drift_at(state.facts.reference_cents, now_s)
            moved = drift - state.hand.applied_cents + state.hand.window_cents(now_s)
            if abs(moved) >= AGREED_CENTS:
                found.add(name)
        return frozenset(found if len(found) >= AGREEING_VOICES else ())

    def _next_note(
        self, state: _Voice, now_s: float, agreeing: frozenset[str]
    ) -> FollowMove | None:
        if now_s - state.moved_s < NOTE_EVERY_S:
            return None
        facts = state.facts
        pitch = state.last_pitch_cents or facts.reference_cents
        drift, _ = state.model.drift_at(facts.reference_cents, now_s)
        _, sigma = state.model.drift_at(pitch, state.model.at_s)
        if now_s - state.model.read_at_s > STALE_S:
            shift = self._common.moved_since(facts.name, state.model.read_at_s)
            if abs(shift) < RESTING_SHOWN_CENTS:
                return None
            drift, _ = state.model.drift_at(facts.reference_cents, state.model.at_s)
            drift += shift
        limit = self._limits.at(now_s - self._power_on_s)
        limit = min(limit, 0.8 * facts.reach_cents)
        if facts.name in agreeing:
            state.agreed_s = now_s
        agree = now_s - state.agreed_s < MOVED_WINDOW_S or now_s - state.model.read_at_s > STALE_S
        proven = self._proven(state)
        if not proven:
            hand = state.hand
            probed = state.probe.target(drift, hand.start_cents, hand.applied_cents)
            if probed is None:
                return None
            drift = probed
        elif not state.trust.looked_at_long:
            return None
        wanted = state.hand.wanted(now_s, drift, proven, limit, agree)
        octaves = (pitch - facts.reference_cents) / 1200.0
        stretch = state.model.stretch_cents if proven else state.stretch_cents
        grid = state.probe.grid_cents
        if grid:  # whole steps arrive whole; others show more or less than was asked
            steps = (wanted - state.hand.applied_cents) / grid
            whole = state.hand.applied_cents + grid * max(1.0, round(abs(steps))) * np.sign(steps)
            if abs(stretch - state.stretch_cents) < grid:
                stretch = state.stretch_cents
        error = wanted - state.hand.applied_cents + (stretch - state.stretch_cents) * octaves
        sigma = max(sigma, state.trust.usual_sigma)
        if proven and not is_sure(error, sigma, GRID_SHARE * grid):
            return None
        wanted = float(whole) if grid else wanted
        state.stretch_cents = stretch
        state.moved_s = now_s
        state.hand.moved(now_s, wanted)
        if abs(wanted - state.said_cents) >= SAID_CENTS:
            state.said_cents = wanted
            self._said.append(f"{facts.name}: {wanted:+.1f} cents of drift taken out")
        return self._move(state, wanted)

    def _sounding(self, state: _Voice, now_s: float) -> FollowMove | None:
        line = self.picker.newest(state.facts.name)
        if line is None or line.pitch_cents is None or line.raw or line.moving:
            return None
        if not (line.gate or state.facts.always_heard) or now_s - line.at_s < NOTE_EVERY_S:
            return None
        if now_s - state.sounding_s < SOUNDING_EVERY_S or not self._proven(state):
            return None
        if now_s - state.model.read_at_s > STALE_S:
            return None
        octaves = (line.pitch_cents - state.facts.reference_cents) / 1200.0
        there = state.hand.applied_cents + state.stretch_cents * octaves
        _, sigma = state.model.drift_at(line.pitch_cents, state.model.at_s)
        sigma = max(sigma, state.trust.usual_sigma)
        least = max(state.facts.step_cents, state.probe.grid_cents)
        step = sounding_step(there - line.applied_cents, sigma, least)
        if not step:
            return None
        state.sounding_s = now_s
        return self._move(state, state.hand.applied_cents, step)

    @staticmethod
    def _move(state: _Voice, offset_cents: float, sounding_cents: float = 0.0) -> FollowMove:
        return FollowMove(
            state.facts.name,
            round(offset_cents, 3),
            round(state.stretch_cents, 3),
            state.facts.reference_cents,
            round(sounding_cents, 3),
        )

    # ------------------------------------------------------------ telling

    def lines(self, now_s: float) -> list[str]:
        """Return lines for the log since the last call."""
        for name, state in self._voices.items():
            why = state.verdict
            if why != state.said_why:
                state.said_why = why
                self._said.append(
                    f"{name}: not followable as it is patched: {why}"
                    if why
                    else f"{name}: followed again"
                )
            why = state.refusal.replace("_", " ") or self.picker.passed_over.get(name, "")
            if why and state.refused_since_s is None:
                state.refused_since_s = now_s
            since_s = state.refused_since_s
            if since_s is not None and not state.said_refused and now_s - since_s > SAID_REFUSED_S:
                state.said_refused = True
                self._said.append(f"{name}: not read for a minute: {why}")
        found, self._said = self._said, []
        return found

    def report(self, now_s: float) -> dict[str, dict[str, Any]]:
        """Return what is believed of each voice, as values that JSON holds."""
        return {name: self._report(state, now_s) for name, state in self._voices.items()}

    def _report(self, state: _Voice, now_s: float) -> dict[str, Any]:
        model = state.model
        drift, sigma = model.drift_at(state.facts.reference_cents, now_s)
        read = model.readings > 0
        why = "off" if self.off else self._still(state)
        if not why and state.refusal:
            why = state.refusal.replace("_", " ")
        if not why and not state.trust.enough:
            why = self.picker.passed_over.get(state.facts.name, "too few readings yet")
        elif not why and self._hides_moves(state):
            why = NOT_SHOWN
        least_s, most_s = self.picker.delay_s(state.facts.input)
        return {
            "drift_cents": round(drift, 2) if read else None,
            "sigma_cents": round(sigma, 2) if read else None,
            "rate_cents_per_min": round(60.0 * model.rate_cents_per_s, 2) if read else None,
            "stretch_cents": round(model.stretch_cents, 2) if read else None,
            "age_s": round(now_s - model.read_at_s, 1) if read else None,
            "taken_out_cents": round(state.hand.applied_cents - state.hand.by_hand_cents, 2),
            "sure": not why,
            "why": why,
            "followable": not (state.verdict or state.lost or self._hides_moves(state)),
            "touched_at_s": state.touched_at_s or 0.0,
            "here_cents": round(state.here_cents, 2),
            "knob_cents": None if state.knob_cents is None else round(state.knob_cents, 1),
            "loading": round(self._common.loading_of(state.facts.name), 2),
            "readings": model.readings,
            "delay_ms": round(max(0.0, 500.0 * (least_s + most_s)), 1)
            if state.facts.input in self.picker.delays_s
            else None,
            "refused": dict(self.picker.refused[state.facts.name]),
        }


def _fresh(facts: FollowedVoice, now_s: float, drift: tuple[float, float, float] | None) -> _Voice:
    offset, stretch, age_s = drift or (0.0, 0.0, math.inf)
    model = DriftModel(facts.reference_cents, now_s, offset, stretch, age_s, facts.note_sigma_cents)
    return _Voice(facts, model)


def _at(touch_up: tuple[float, float, float], pitch_cents: float) -> float:
    """Return what a touch-up (offset, stretch, reference) takes out at a pitch."""
    return touch_up[0] + touch_up[1] * (pitch_cents - touch_up[2]) / 1200.0


def _reading(stretch: Stretch, pitch: Pitch) -> DriftReading:
    expected = stretch.expected
    assert expected.pitch_cents is not None and expected.profile_cents is not None
    heard = 6900.0 + 1200.0 * math.log2(pitch.hertz / 440.0)
    return DriftReading(
        at_s=stretch.from_s + stretch.seconds / 2.0,
        pitch_cents=expected.pitch_cents,
        drift_cents=heard - expected.profile_cents,
        sigma_cents=pitch.sigma_cents,
        applied_cents=expected.applied_cents,
        since_onset_s=stretch.since_onset_s,
        interval_cents=stretch.interval_cents,
        velocity=float(expected.velocity),
        level_dbfs=pitch.level_dbfs,
        slope_cents_per_s=pitch.drift_cents_per_s,
        slope_sigma=max(pitch.sigma_cents, 0.01) * math.sqrt(12.0) / stretch.seconds,
    )
