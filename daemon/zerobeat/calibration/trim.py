"""Trimming: a low and a high note in turn, until the trimmer gives no improvement.

Only the difference of the two counts, so the panel may be set anywhere. Volts
read from a meter at a converter's output serve as well.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..measure.pitch.take import Progress, Take, TakeRequest
from ..tuning.units import volts_to_pitch

GOOD_CENTS_PER_OCTAVE = 0.3
ROUNDS_WITHOUT_GAIN = 4
SAME_CENTS = 0.15  # a smaller change of stretch does not count as a turn of the trimmer


@dataclass(frozen=True, slots=True)
class TrimState:
    """The state of a trim.

    Attributes:
        offset_cents: of the low note, sharp positive.
        stretch_cents: for each octave; positive is too wide: high notes are sharp.
        first_cents: the stretch in the first round.
        turned: "better", "worse" or "same" compared with the round before; "" in
            the first round.
        done: whether no improvement is left.
    """

    offset_cents: float
    stretch_cents: float
    first_cents: float
    turned: str
    done: bool

    def line(self) -> str:
        """Return one line of at most 79 characters."""
        way = "wide: flatten the high note"
        if self.stretch_cents <= 0:
            way = "narrow: sharpen the high note"
        if self.done:
            way = "as good as it gets"
        turned = {"": "", "same": "", "better": " (better)", "worse": " (worse: turn back)"}
        return (
            f"low {self.offset_cents:+z.1f}, {self.stretch_cents:+z.2f} cents an octave"
            f"{turned[self.turned]}: {way}"
        )


class TrimPlan:
    """Requests the low and the high note in turn and follows the trimmer.

    Args:
        voice: its name.
        low_note, high_note: at least an octave apart.
        panel_octaves: as in the rig.
        seconds: of each take.
        good_cents: a stretch within this is good enough.
    """

    def __init__(
        self,
        voice: str,
        low_note: int,
        high_note: int,
        *,
        panel_octaves: int = 0,
        seconds: float = 0.5,
        good_cents: float = GOOD_CENTS_PER_OCTAVE,
    ) -> None:
        assert high_note - low_note >= 12
        self._voice, self._notes = voice, (low_note, high_note)
        self._panel_cents = 1200.0 * panel_octaves
        self._seconds, self._good = seconds, good_cents
        self._errors: list[float | None] = [None, None]
        self._turn = 0
        self._takes = self._refused = 0
        self.history: list[float] = []  # stretch at each round

    def next(self) -> TakeRequest | None:
        """Return the request of the next note; None when the trim is done."""
        where = self.result()
        if where is not None and where.done and self._turn == 0:
            return None
        note = self._notes[self._turn]
        error, other = self._errors[self._turn], self._errors[1 - self._turn]
        written = 100.0 * note + self._panel_cents
        expected = None if error is None else written + error
        # The other note's error is nearer than none: a panel may stand anywhere.
        likely = written if other is None else written + other
        return TakeRequest(self._voice, note, 0.0, self._seconds, "search", 0.1, expected, likely)

    def add(self, take: Take) -> None:
        """Add the take of the last request; a refused one is requested again."""
        self._takes += 1
        if take.pitch is None:
            self._refused += 1
            self._errors[self._turn] = None  # the pitch may have moved out of the search range
            return
        error = take.sounding_cents - take.request.commanded_cents - self._panel_cents
        self.add_pair_part(self._turn, error)

    def add_pair_part(self, which: int, error_cents: float) -> None:
        """Add the error of the low (0) or the high (1) note."""
        self._errors[which] = error_cents
        self._turn = 1 - which
        low, high = self._errors
        if which == 1 and low is not None and high is not None:
            octaves = (self._notes[1] - self._notes[0]) / 12.0
            self.history.append((high - low) / octaves)

    def add_volts(self, low_volts: float, high_volts: float, zero_volt_note: int) -> None:
        """Add a meter's reading of both notes at the converter's output."""
        for which, volts in enumerate((low_volts, high_volts)):
            pitch = volts_to_pitch(volts, zero_volt_note)
            self.add_pair_part(which, pitch - 100.0 * self._notes[which])

    def result(self) -> TrimState | None:
        """Return the state of the trim; None before both notes were read."""
        low = self._errors[0]
        if not self.history or low is None:
            return None
        now = self.history[-1]
        turned = ""
        if len(self.history) > 1:
            gain = abs(self.history[-2]) - abs(now)
            turned = "same" if abs(gain) < SAME_CENTS else ("better" if gain > 0 else "worse")
        return TrimState(low, now, self.history[0], turned, self._done())

    def progress(self) -> Progress:
        """Return the progress, for a line on the screen."""
        where = self.result()
        worst = None if where is None else abs(where.stretch_cents)
        doing = f"note {self._notes[self._turn]}"
        return Progress(
            self._voice,
            self._takes,
            self._refused,
            self._takes * self._seconds,
            worst,
            self._good,
            doing,
        )

    def _done(self) -> bool:
        """Return whether two rounds were good enough, or some brought no gain after turns."""
        sizes = [abs(stretch) for stretch in self.history]
        if len(sizes) >= 2 and max(sizes[-2:]) <= self._good:
            return True
        best = min(sizes)
        since = len(sizes) - 1 - sizes.index(best)
        moved = max(sizes) - best > 4 * SAME_CENTS
        return moved and since >= ROUNDS_WITHOUT_GAIN and sizes[-1] <= best + 2 * SAME_CENTS
