"""Scales: degrees in cents, the degree next to a pitch, built-in scales.

A scale has any number of degrees and any period. Degrees keep the order of
their file, which need not rise; snapping works on the same degrees brought
into one period and sorted once.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from ..errors import ScaleError, one_of
from . import presets

HAIR_CENTS = 1e-6  # closer than this is the same pitch: rounding, not music


@dataclass(frozen=True, slots=True)
class Scale:
    """Degrees in cents above degree 0, and the interval after which they repeat.

    Args:
        name: shown in status.
        degrees_cents: degree 0 first, which is 0.0; file order; without the
            period; finite.
        period_cents: interval of repetition. Zero (a scale of one pitch) and
            below zero are legal in files; such a scale can be played by its
            degrees but not snapped to.

    Raises:
        ScaleError: no degrees, the first is not 0.0, or a value is not finite.
    """

    name: str
    degrees_cents: tuple[float, ...]
    period_cents: float
    _sorted: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _borders: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        values = (*self.degrees_cents, self.period_cents)
        if len(values) < 2 or values[0] != 0.0 or not all(map(math.isfinite, values)):
            raise ScaleError(
                f"scale {self.name}: found degrees {list(self.degrees_cents)} and period "
                f"{self.period_cents}; allowed: finite cents, the first degree 0.0"
            )
        degrees = _within_period(self.degrees_cents, self.period_cents)
        edges = (*degrees, self.period_cents)
        borders = [(low + high) / 2 for low, high in zip(degrees, edges[1:], strict=True)]
        object.__setattr__(self, "_sorted", degrees)
        object.__setattr__(self, "_borders", tuple(borders))

    @property
    def sorted_degrees_cents(self) -> tuple[float, ...]:
        """Distinct degrees within one period, rising from 0.0; empty if it can't be snapped to."""
        return self._sorted

    def pitch_of_degree(self, degree: int) -> float:
        """Return cents above degree 0, in file order, for any int."""
        periods, index = divmod(degree, len(self.degrees_cents))
        return periods * self.period_cents + self.degrees_cents[index]

    def sorted_pitch_of_degree(self, degree: int) -> float:
        """Return cents above degree 0 of a *sorted* degree, for any int."""
        degrees = self._sorted or self._refuse()
        periods, index = divmod(degree, len(degrees))
        return periods * self.period_cents + degrees[index]

    def nearest_degree(self, cents: float, snap: str = "nearest") -> int:
        """Return the sorted degree to which a pitch snaps.

        Args:
            cents: pitch above degree 0; finite.
            snap: ``nearest`` (a tie goes down), ``down`` or ``up``. A pitch
                within a millionth of a cent of a degree is on it.

        Raises:
            ScaleError: the period is not above zero, or ``snap`` is unknown.
        """
        degrees = self._sorted or self._refuse()
        period = self.period_cents
        periods = math.floor(cents / period)
        rest = cents - periods * period
        if snap == "nearest":
            index = bisect_left(self._borders, rest - HAIR_CENTS)
        elif snap == "down":
            index = bisect_left(degrees, rest + HAIR_CENTS) - 1
            if rest + HAIR_CENTS >= period:
                index = len(degrees)
        elif snap == "up":
            index = bisect_left(degrees, rest - HAIR_CENTS)
        else:
            raise ScaleError(f"snap: found {snap}; allowed: nearest, down, up")
        return periods * len(degrees) + index

    def nearest_with_hysteresis(
        self, cents: float, current_degree: int, snap: str, margin_cents: float
    ) -> int:
        """Return ``nearest_degree``, holding ``current_degree`` a little past its border.

        Args:
            cents: pitch above degree 0; finite.
            current_degree: sorted degree that sounds now.
            snap: as for ``nearest_degree``.
            margin_cents: how far past the border a pitch must go before the
                degree changes; at most a quarter of the step is used. With
                ``down`` and ``up`` only the way back has the margin, so that
                a wheel can still reach each degree exactly.
        """
        degree = self.nearest_degree(cents, snap)
        if degree == current_degree or abs(degree - current_degree) > 1:
            return degree
        here = self.sorted_pitch_of_degree(current_degree)
        there = self.sorted_pitch_of_degree(degree)
        margin = min(margin_cents, abs(there - here) / 4.0)
        if snap == "nearest":
            past = abs(cents - (here + there) / 2.0)
        elif (snap == "down") == (degree < current_degree):
            past = abs(cents - here)
        else:
            return degree
        return degree if past > margin else current_degree

    def describe(self) -> list[str]:
        """Return one line a degree, period last, for checking by eye."""
        values = (*self.degrees_cents, self.period_cents)
        lines = [f"{degree:4d} {cents:14.6f} cents" for degree, cents in enumerate(values)]
        return [*lines[:-1], lines[-1] + " (repeats)"]

    def _refuse(self) -> tuple[float, ...]:
        raise ScaleError(
            f"scale {self.name}: found a period of {self.period_cents} cents; allowed: above 0, "
            "to move a pitch to the nearest degree"
        )


def _within_period(degrees: Sequence[float], period: float) -> tuple[float, ...]:
    """Return the degrees brought into one period, rising, each once."""
    if period <= HAIR_CENTS:
        return ()
    kept: list[float] = [0.0]
    for cents in sorted(degree % period for degree in degrees):
        if cents - kept[-1] > HAIR_CENTS and period - cents > HAIR_CENTS:
            kept.append(cents)
    return tuple(kept)


def scale_from_cents(name: str, cents: Sequence[float]) -> Scale:
    """Return the scale of a list of cents that ends on its period.

    Args:
        name: shown in status.
        cents: as in a ``.scl`` file: degree 1 and up, the period last; a
            leading 0.0 for degree 0 may be there.

    Raises:
        ScaleError: no period, or a value that is not finite.
    """
    values = [float(value) for value in cents]
    if len(values) > 1 and values[0] == 0.0:
        values = values[1:]
    if not values:
        raise ScaleError(f"scale {name}: found no cents; allowed: a list that ends on the period")
    return Scale(name, (0.0, *values[:-1]), values[-1])


def equal_division(steps: int, period_cents: float = 1200.0) -> Scale:
    """Return ``steps`` equal degrees to the period, named like ``19 equal``.

    Raises:
        ScaleError: fewer than one step, or more than 1200.
    """
    if not 1 <= steps <= 1200:
        raise ScaleError(f"equal division: found {steps} steps; allowed: 1 to 1200")
    name = f"{steps} equal"
    if period_cents != 1200.0:
        name += f" of {str(period_cents).removesuffix('.0')} cents"
    return Scale(name, tuple(period_cents * i / steps for i in range(steps)), period_cents)


def preset(name: str) -> Scale:
    """Return a built-in scale by one of its names, or an equal division.

    Case, hyphens, brackets and spaces don't matter; ``#`` and ``b`` may be
    written ``sharp`` and ``flat``. ``19 equal`` is any equal division of the
    octave, ``13 equal of 1901.955 cents`` of another period.

    Raises:
        ScaleError: unknown, with near names; or a name of several scales,
            with the choices.
    """
    key = _key(name)
    if key in _BY_NAME:
        return _BY_NAME[key]
    match = re.fullmatch(r"([0-9]{1,4}) equal(?: of ([0-9]+(?:\.[0-9]+)?)(?: cents)?)?", key)
    if match:
        return equal_division(int(match[1]), float(match[2] or 1200.0))
    if key in _AMBIGUOUS:
        choices = ", ".join(_AMBIGUOUS[key])
        raise ScaleError(f"scale: found {name}, a name of several; allowed: {choices}")
    raise ScaleError(f"scale: found {name}; allowed: N equal, {one_of(key, _SUGGESTED)}")


def _key(name: str) -> str:
    text = re.sub(r"[-_(),]+", " ", name.casefold()).replace("\u266f", "#").replace("\u266d", "b")
    text = re.sub(r"#(?=[0-9])", "sharp ", text)
    text = re.sub(r"\bb(?=[0-9])", "flat ", text)
    return " ".join(text.split())


def _build() -> tuple[dict[str, Scale], dict[str, Scale]]:
    shown: dict[str, Scale] = {}
    by_name: dict[str, Scale] = {}
    tables = [(n, a, tuple(100.0 * s for s in steps), 1200.0) for n, a, steps in presets.MODES]
    tables += [(n, a, cents, 1200.0) for n, a, cents in presets.TEMPERAMENTS]
    for n, a, quarters in presets.MAQAMAT:
        spellings = (*a, *(f"maqam {spelling}" for spelling in (n, *a)))
        tables.append((n, spellings, tuple(50.0 * q for q in quarters), 1200.0))
    tritave = presets.TRITAVE_CENTS
    thirteen = tuple(tritave * i / 13 for i in range(13))
    tables.append(("bohlen-pierce equal", (), thirteen, tritave))
    tables.append(("bohlen-pierce just", (), presets.BOHLEN_PIERCE_JUST, tritave))
    for name, others, cents, period in tables:
        scale = Scale(name, cents, period)
        shown[name] = scale
        for spelling in (name, *others):
            by_name[_key(spelling)] = scale
    return shown, by_name


PRESETS, _BY_NAME = _build()
_SUGGESTED = tuple(_BY_NAME)
_BY_NAME |= {old: _BY_NAME[new] for old, new in presets.OLD_NAMES.items()}
_AMBIGUOUS = {_key(name): choices for name, choices in presets.AMBIGUOUS.items()}
