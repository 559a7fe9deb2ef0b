"""Takes: the request for one, its result, and the loop that runs a plan. No I/O here.

A plan says which note to play next; a listener plays it and reads its pitch,
from a real input or from a virtual case; ``run_plan`` passes requests and takes
between the two until the plan is done.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

import numpy as np

from ...errors import MeasureError, TakeRefusedError
from ...text import counted
from ...tuning.units import hertz_to_pitch, pitch_to_hertz
from .reader import REASONS, Pitch, estimate_pitch

Purpose = Literal["reference", "reading", "again", "bend", "check", "search", "glance", "suspect"]
PERIODS = 20  # of the expected note, at least, in a take
LEAST_TAKE_S = 0.5
LONGEST_TAKE_S = 4.0
MOST_REFUSED = 4  # in a row before the first reading: the voice does not answer
MOST_REFUSED_LATER = 12  # in a row after a reading
FOUND_ELSEWHERE = ("range", "noise", "short", "disagree")  # refusals after which a search goes on
LOWEST_HZ, HIGHEST_HZ = 15.0, 9000.0  # range of the pitch reader


@dataclass(frozen=True, slots=True)
class TakeRequest:
    """The request for one take: a note as the converter gets it, without correction.

    Attributes:
        voice: its name in the rig.
        note: MIDI number to send.
        bend_cents: bend to send before it.
        seconds: of sound to read, counted from when the pitch has settled.
        purpose: what the take is for.
        settle_s: from note-on to the first sample of the take.
        expected_cents: where the voice should sound, cents above key 0 with A
            at 440 Hz; None searches the whole range.
        likely_cents: where the whole range is searched, the pitch that comes first: of
            the note sent, or of the reading before.
    """

    voice: str
    note: int
    bend_cents: float = 0.0
    seconds: float = 0.5
    purpose: Purpose = "reading"
    settle_s: float = 0.1
    expected_cents: float | None = None
    likely_cents: float | None = None

    @property
    def commanded_cents(self) -> float:
        """Number and bend as one pitch, cents above key 0."""
        return 100.0 * self.note + self.bend_cents

    def words(self) -> str:
        """Return a few words on what is played, for a progress line."""
        more = {"bend": ", bent", "again": ", again", "reference": ", the reference"}
        return f"note {self.note}{more.get(self.purpose, '')}"

    @property
    def expected_hz(self) -> float | None:
        """The expected pitch in hertz, for ``estimate_pitch``."""
        return None if self.expected_cents is None else pitch_to_hertz(self.expected_cents)

    @property
    def likely_hz(self) -> float | None:
        """The likely pitch in hertz."""
        return None if self.likely_cents is None else pitch_to_hertz(self.likely_cents)


@dataclass(frozen=True, slots=True)
class Take:
    """The result of a request.

    Attributes:
        request: what was asked for.
        pitch: the reading; None if the take was refused.
        refused: a key of ``reader.REASONS``, or a listener's own reason; "" if read.
        at_s: middle of the take, on any steady clock.
    """

    request: TakeRequest
    pitch: Pitch | None
    refused: str = ""
    at_s: float = 0.0

    @property
    def sounding_cents(self) -> float:
        """Pitch read, cents above key 0 with A at 440 Hz; the take must not be refused."""
        assert self.pitch is not None
        return hertz_to_pitch(self.pitch.hertz)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a measurement is, for one line on the screen.

    Attributes:
        voice: being measured.
        takes: so far, refused ones too.
        refused: takes that could not be read.
        sound_s: seconds of sound read so far.
        worst_cents: two sigma of the curve where it is least known now;
            None while unknown.
        tolerance_cents: at which the plan stops.
        doing: a few words: "note 60", "bend range".
    """

    voice: str
    takes: int
    refused: int
    sound_s: float
    worst_cents: float | None
    tolerance_cents: float
    doing: str

    def line(self) -> str:
        """Return at most 79 characters."""
        known = "" if self.worst_cents is None else f", known to {self.worst_cents:.2f} cents"
        again = f", {self.refused} refused" if self.refused else ""
        takes = counted(self.takes, "take")
        text = f"{self.voice}: {takes}{again}{known} ({self.tolerance_cents:g} asked)"
        return f"{text}: {self.doing}"[:79]


class TakeListener(Protocol):
    """Plays one request at a time and reads its pitch."""

    def listen(self, request: TakeRequest) -> Take:
        """Play a request and return its take; a take that can't be read is no error.

        Raises:
            MeasureError: the run can't go on: stopped, cable out, daemon gone.
        """
        ...


class TakePlan(Protocol):
    """Requests takes one by one: a measuring plan, a proof, a trim."""

    def next(self) -> TakeRequest | None:
        """Return the next request; None when the plan is done."""
        ...

    def add(self, take: Take) -> None:
        """Add the take of the last request."""
        ...

    def progress(self) -> Progress:
        """Return how far the plan is."""
        ...


@runtime_checkable
class ChoosingPlan(Protocol):
    """A plan whose next request may be one of several."""

    def prefer(self, good: Callable[[float], bool]) -> None:
        """Let the next request be one whose expected pitch is good, if there is one."""
        ...


def run_plan(
    plan: TakePlan, listener: TakeListener, on_progress: Callable[[Progress], None] | None = None
) -> None:
    """Run a plan: play each request and add its take, until the plan is done.

    Args:
        plan: what to measure.
        listener: plays and reads.
        on_progress: called before each take.

    Raises:
        MeasureError: the voice does not answer, or the listener can't go on.
    """
    refused, most = 0, MOST_REFUSED
    while (request := plan.next()) is not None:
        if on_progress is not None:
            on_progress(plan.progress())
        take = listener.listen(request)
        plan.add(take)
        refused += 1
        if take.pitch is not None:
            refused, most = 0, MOST_REFUSED_LATER
        if refused >= most:
            why = REASONS.get(take.refused, take.refused)
            if take.refused == "range":
                why += "; zerobeat tune looks for it anywhere"
            raise MeasureError(
                f"{request.voice}: found {refused} takes in a row that can't be read, "
                f"the last at note {request.note}: {take.refused.replace('_', ' ')}: {why}; "
                "the old profile is untouched"
            )


def read_samples(
    samples: np.ndarray,
    rate_hz: float,
    expected_hz: float | None,
    background: np.ndarray | None = None,
    likely_hz: float | None = None,
) -> tuple[Pitch | None, str]:
    """Return the pitch of a take, or None and the reason for the refusal.

    Args:
        samples, rate_hz, expected_hz, background: of the reader; no expected pitch searches
            the whole range.
        likely_hz: where the whole range is searched, half an octave about this comes first.
    """
    near = [likely_hz] if expected_hz is None and likely_hz is not None else []
    reason = ""
    for hertz in (*near, expected_hz):
        try:
            pitch = estimate_pitch(
                samples,
                rate_hz,
                expected_hz=hertz,
                lowest_hz=LOWEST_HZ,
                highest_hz=HIGHEST_HZ,
                background=background,
            )
        except TakeRefusedError as error:
            reason = error.reason
            if reason not in FOUND_ELSEWHERE:
                break
        else:
            return pitch, ""
    return None, reason


def take_seconds(expected_cents: float, tolerance_cents: float, sigma_at_1s: float | None) -> float:
    """Return how long a take must be.

    Args:
        expected_cents: sounding pitch; low notes need longer for enough periods.
        tolerance_cents: of the whole curve; a reading should be known to a
            fifth of it.
        sigma_at_1s: what takes of this voice had as uncertainty, brought to a
            length of one second; None before the first. It falls as the
            length to the power of 3/2 (Rife and Boorstyn 1974).
    """
    seconds = max(PERIODS / pitch_to_hertz(expected_cents), LEAST_TAKE_S)
    if sigma_at_1s is not None:
        seconds = max(seconds, (sigma_at_1s / (tolerance_cents / 5.0)) ** (2.0 / 3.0))
    return min(seconds, LONGEST_TAKE_S)
