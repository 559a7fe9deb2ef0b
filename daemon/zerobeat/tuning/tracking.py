"""The tracking curve of a voice: commanded pitch against sounding pitch, and back.

``x`` commanded sounds at ``y(x) = x + error``. To sound ``t``, send the ``x``
with ``y(x) = t``. Between readings the curve is a monotone cubic whose slopes
are weighted harmonic means of the neighbouring secants (Fritsch and Butland
1984, as SciPy's ``PchipInterpolator``); beyond the outermost readings it goes
on along a line. The inverse is the root of that cubic, not a curve fitted to
the swapped table.

All pitches are cents above key 0.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from ..errors import TrackingError
from .readings import Reading, Unusable, beyond_range, checked, left_out, pool, rising

__all__ = ["ComposedCurve", "Reading", "TrackingCurve", "Unusable", "compose", "pchip_slopes"]

LINE_SLOPES = (0.8, 1.25)  # a curve goes on beyond its readings no flatter, no steeper
_CLOSE_CENTS = 1e-5


@dataclass(frozen=True, slots=True)
class TrackingCurve:
    """A monotone curve through knots, and its inverse.

    Args:
        knots_cents: commanded, rising; one at least.
        sounding_cents: heard at each knot, rising.
        unusable: stretches not to be trusted, rising.
        sigmas_cents: standard uncertainty of each knot; may be empty.

    Raises:
        TrackingError: empty, uneven, not finite or not rising.
    """

    knots_cents: tuple[float, ...]
    sounding_cents: tuple[float, ...]
    unusable: tuple[Unusable, ...] = ()
    sigmas_cents: tuple[float, ...] = ()
    slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _pieces: tuple[tuple[float, ...], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        x, y = self.knots_cents, self.sounding_cents
        if not x or len(x) != len(y) or not all(map(math.isfinite, (*x, *y))):
            raise TrackingError(
                f"tracking curve: found {len(x)} pitches and {len(y)} soundings; "
                "allowed: one or more finite pairs"
            )
        for i in range(1, len(x)):
            if not (x[i - 1] < x[i] and y[i - 1] < y[i]):
                raise TrackingError(
                    f"tracking curve: found {x[i - 1]:.2f} sounding at {y[i - 1]:.2f} before "
                    f"{x[i]:.2f} at {y[i]:.2f}; allowed: both rising"
                )
        slopes = pchip_slopes(x, y)
        object.__setattr__(self, "slopes", slopes)
        object.__setattr__(self, "_pieces", _pieces(x, y, slopes))

    @staticmethod
    def from_readings(
        readings: Iterable[Reading], *, bend_range_cents: float = 200.0
    ) -> TrackingCurve:
        """Return the curve through readings, and the stretches it can't be trusted in.

        Readings of one note are pooled by their uncertainties. A note is left
        out of the curve where pitch does not rise with it; what is left out,
        what scatters and what asks for more correction than the bend range
        is listed in ``unusable``.

        Raises:
            TrackingError: no readings, a value that is not finite, or pitch
                that rises nowhere.
        """
        x, y, sigmas, unusable = pool(checked(readings))
        kept = rising(x, y)
        if len(kept) < 2 <= len(x):
            raise TrackingError(
                f"readings: found {len(x)} notes and no two of them with pitch rising from one "
                "to the other; check the cable, the converter's range and the oscillator's inputs"
            )
        unusable += left_out(x, kept)
        curve = TrackingCurve(
            tuple(x[i] for i in kept),
            tuple(y[i] for i in kept),
            (),
            tuple(sigmas[i] for i in kept),
        )
        unusable += beyond_range(curve.knots_cents, curve.sounding, bend_range_cents)
        found = sorted(unusable, key=lambda part: (part.lowest_cents, part.highest_cents))
        return replace(curve, unusable=tuple(found))

    def sounding(self, commanded_cents: float) -> float:
        """Return the pitch heard when ``commanded_cents`` is sent."""
        index = bisect_right(self.knots_cents, commanded_cents)
        x0, y0, h, a, b, c = self._pieces[index]
        u = (commanded_cents - x0) / h
        return y0 + u * (a + u * (b + u * c))

    def commanded(self, target_cents: float) -> float:
        """Return the pitch to send so that ``target_cents`` is heard; the true inverse."""
        index = bisect_right(self.sounding_cents, target_cents)
        x0, y0, h, a, b, c = self._pieces[index]
        wanted = target_cents - y0
        if b == 0.0 and c == 0.0:
            return x0 + h * wanted / a
        u = wanted / (a + b + c)
        for _ in _ROUNDS:
            step = (u * (a + u * (b + u * c)) - wanted) / (a + u * (2.0 * b + 3.0 * c * u) or 1e-9)
            u -= step
            if -_CLOSE_CENTS < step * h < _CLOSE_CENTS and -1e-9 < u < 1.000000001:
                return x0 + h * u
        return x0 + h * _bisected(wanted, a, b, c)

    def extrapolated(self, commanded_cents: float) -> bool:
        """Return whether a commanded pitch lies beyond the outermost readings."""
        return not self.knots_cents[0] <= commanded_cents <= self.knots_cents[-1]

    def unusable_at(self, commanded_cents: float) -> Unusable | None:
        """Return the unusable stretch that a commanded pitch falls into, or None."""
        for part in self.unusable:
            if part.lowest_cents <= commanded_cents <= part.highest_cents:
                return part
        return None

    def describe(self, zero_volt_note: int, middle_c_octave: int = 4) -> list[str]:
        """Return one line for each unusable stretch, by notes and volts."""
        return [part.describe(zero_volt_note, middle_c_octave) for part in self.unusable]

    def shifted(self, cents: float) -> TrackingCurve:
        """Return the curve of the same voice sounding ``cents`` higher at every pitch."""
        return replace(self, sounding_cents=tuple(y + cents for y in self.sounding_cents))


@dataclass(frozen=True, slots=True)
class ComposedCurve(TrackingCurve):
    """A converter's curve and then an oscillator's: both exact, one after the other.

    Made by ``compose``. ``knots_cents`` are those of both, as commanded
    pitches; ``slopes`` are of a curve through them, for drawing only.
    """

    converter: TrackingCurve = field(kw_only=True)
    oscillator: TrackingCurve = field(kw_only=True)

    def sounding(self, commanded_cents: float) -> float:
        return self.oscillator.sounding(self.converter.sounding(commanded_cents))

    def commanded(self, target_cents: float) -> float:
        return self.converter.commanded(self.oscillator.commanded(target_cents))

    def extrapolated(self, commanded_cents: float) -> bool:
        return self.converter.extrapolated(commanded_cents) or self.oscillator.extrapolated(
            self.converter.sounding(commanded_cents)
        )

    def shifted(self, cents: float) -> TrackingCurve:
        return compose(self.converter, self.oscillator.shifted(cents))


def compose(converter_by_volts: TrackingCurve, oscillator: TrackingCurve) -> TrackingCurve:
    """Return the curve of an oscillator behind a converter that errs by volts.

    Args:
        converter_by_volts: pitch commanded against the pitch that the volts
            put out stand for (``volts_to_pitch``), measured by meter.
        oscillator: pitch its input volts stand for against pitch heard.

    Returns:
        A curve whose inverse is the exact inverse of the two in a row.
    """
    knots = set(converter_by_volts.knots_cents)
    knots.update(map(converter_by_volts.commanded, oscillator.knots_cents))
    x = tuple(sorted(knots))
    through = [oscillator.sounding(converter_by_volts.sounding(cents)) for cents in x]
    kept = rising(x, through)
    moved = tuple(
        Unusable(
            converter_by_volts.commanded(part.lowest_cents),
            converter_by_volts.commanded(part.highest_cents),
            part.reason,
        )
        for part in oscillator.unusable
    )
    found = sorted(
        (*converter_by_volts.unusable, *moved),
        key=lambda part: (part.lowest_cents, part.highest_cents),
    )
    return ComposedCurve(
        tuple(x[i] for i in kept),
        tuple(through[i] for i in kept),
        tuple(found),
        converter=converter_by_volts,
        oscillator=oscillator,
    )


def pchip_slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    """Return the slope of a monotone cubic at each knot.

    Args:
        x: shape (n,), rising.
        y: shape (n,).

    Source: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984): weighted
    harmonic means inside, three-point ends held to the sign of their secant.
    """
    n = len(x)
    if n == 1:
        return (1.0,)
    h = [x[i + 1] - x[i] for i in range(n - 1)]
    secants = [(y[i + 1] - y[i]) / h[i] for i in range(n - 1)]
    if n == 2:
        return (secants[0], secants[0])
    inner = []
    for i in range(1, n - 1):
        before, after = secants[i - 1], secants[i]
        if before * after <= 0.0:
            inner.append(0.0)
            continue
        w1 = 2.0 * h[i] + h[i - 1]
        w2 = h[i] + 2.0 * h[i - 1]
        inner.append((w1 + w2) / (w1 / before + w2 / after))
    first = _end_slope(h[0], h[1], secants[0], secants[1])
    last = _end_slope(h[-1], h[-2], secants[-1], secants[-2])
    return (first, *inner, last)


_ROUNDS = (1, 2, 3, 4, 5, 6, 7, 8)


def _end_slope(h0: float, h1: float, near: float, far: float) -> float:
    slope = ((2.0 * h0 + h1) * near - h0 * far) / (h0 + h1)
    if slope * near <= 0.0:
        return 0.0
    if near * far <= 0.0 and abs(slope) > 3.0 * abs(near):
        return 3.0 * near
    return slope


def _pieces(
    x: tuple[float, ...], y: tuple[float, ...], slopes: tuple[float, ...]
) -> tuple[tuple[float, ...], ...]:
    """Return (x0, y0, h, a, b, c) of the line below, each cubic, and the line above.

    ``y = y0 + u * (a + u * (b + u * c))`` with ``u = (x - x0) / h``; piece i
    holds for the x and y below knot i, so that one ``bisect`` finds it.
    """
    low, high = LINE_SLOPES
    first = min(max(slopes[0], low), high)
    last = min(max(slopes[-1], low), high)
    pieces: list[tuple[float, ...]] = [(x[0], y[0], 1.0, first, 0.0, 0.0)]
    for i in range(len(x) - 1):
        h = x[i + 1] - x[i]
        rise = y[i + 1] - y[i]
        a, end = slopes[i] * h, slopes[i + 1] * h
        pieces.append((x[i], y[i], h, a, 3.0 * rise - 2.0 * a - end, a + end - 2.0 * rise))
    pieces.append((x[-1], y[-1], 1.0, last, 0.0, 0.0))
    return tuple(pieces)


def _bisected(wanted: float, a: float, b: float, c: float) -> float:
    """Return u in 0 to 1 by halving, for the rare piece where Newton does not settle."""
    low, high = 0.0, 1.0
    for _ in range(60):
        u = (low + high) / 2.0
        if u * (a + u * (b + u * c)) < wanted:
            low = u
        else:
            high = u
    return (low + high) / 2.0
