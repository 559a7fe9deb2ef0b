"""Pictures of a profile as SVG in the colours and the font of the page around them.

Colours are CSS variables of the page, so that one picture serves light and dark
themes; text stays text.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from ..tuning.tracking import TrackingCurve
from ..tuning.units import name_of_note, pitch_to_volts

Floats = NDArray[np.float64]
# Placeholder colours that occur nowhere else; ``_svg`` replaces them by CSS variables.
INK_COLOUR, SOFT_COLOUR, GRID_COLOUR, CURVE_COLOUR, BEFORE_COLOUR, AFTER_COLOUR, UNUSABLE_COLOUR = (
    f"#0{n}0{n}f{n}" for n in range(1, 8)
)
COLOUR_NAMES = dict(
    zip(
        (
            INK_COLOUR,
            SOFT_COLOUR,
            GRID_COLOUR,
            CURVE_COLOUR,
            BEFORE_COLOUR,
            AFTER_COLOUR,
            UNUSABLE_COLOUR,
        ),
        ("ink", "soft", "grid", "curve", "before", "after", "bad"),
        strict=True,
    )
)
STYLE: dict[Any, Any] = {  # matplotlib types the keys as a literal of all its settings
    "svg.fonttype": "none",
    "font.size": 10,
    "axes.edgecolor": SOFT_COLOUR,
    "axes.labelcolor": INK_COLOUR,
    "xtick.color": SOFT_COLOUR,
    "ytick.color": SOFT_COLOUR,
    "xtick.labelcolor": INK_COLOUR,
    "ytick.labelcolor": INK_COLOUR,
    "grid.color": GRID_COLOUR,
    "grid.linewidth": 0.8,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "text.color": INK_COLOUR,
    "font.family": "sans-serif",
    "path.simplify": False,
}
WIDTH_INCHES = 7.6
STRIP_INCHES = 0.75  # of a voice in the picture of the whole rig
LEAST_SPAN = 1.0  # cents, of an axis of the history


@dataclass(frozen=True, slots=True)
class Picture:
    """The contents of a voice's pictures; cents are sounding less commanded.

    Attributes:
        curve: with its unusable stretches.
        sigmas: one sigma of the curve at its knots; may be empty.
        pitches, cents, spreads: of the readings, shape (n,).
        checks: (note sent for it, before, after) of each check note.
        zero_volt_note: of the converter.
    """

    curve: TrackingCurve
    sigmas: tuple[float, ...]
    pitches: Floats
    cents: Floats
    spreads: Floats
    checks: tuple[tuple[int, float, float], ...]
    zero_volt_note: int
    middle_c_octave: int = 4

    def usable(self) -> NDArray[np.bool_]:
        """Return which readings lie outside the unusable stretches, shape (n,)."""
        return _inside(self, self.pitches)


def curve_svg(shown: Picture) -> str:
    """Return the curve through its readings and, below and enlarged, the residual, as SVG."""
    with mpl.rc_context(STYLE | {"svg.hashsalt": "curve"}):
        figure = Figure(figsize=(WIDTH_INCHES, 4.8), layout="constrained")
        top, rest = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        _draw_curve(top, shown)
        _draw_rest(rest, shown)
        _label_notes(rest, top, shown)
        return _svg(figure)


def checks_svg(shown: Picture) -> str:
    """Return the check notes, each a line from before to after, as SVG."""
    with mpl.rc_context(STYLE | {"svg.hashsalt": "checks"}):
        count = len(shown.checks)
        figure = Figure(figsize=(WIDTH_INCHES, 0.9 + 0.34 * count), layout="constrained")
        axes = figure.subplots()
        names = [name_of_note(note, shown.middle_c_octave) for note, _, _ in shown.checks]
        for row, (_, before, after) in enumerate(shown.checks):
            axes.plot((before, after), (row, row), color=GRID_COLOUR, linewidth=2, zorder=1)
            axes.plot(
                before, row, "x", color=BEFORE_COLOUR, markersize=8, markeredgewidth=2, zorder=2
            )
            axes.plot(after, row, "o", color=AFTER_COLOUR, markersize=7, zorder=3)
            for value, side in ((before, 1 if before > after else -1),):
                axes.annotate(
                    f"{value:+z.1f}",
                    (value, row),
                    (7 * side, 0),
                    textcoords="offset points",
                    ha="left" if side > 0 else "right",
                    va="center",
                    fontsize=9,
                )
        axes.axvline(0.0, color=SOFT_COLOUR, linewidth=1, zorder=0)
        axes.set_yticks(range(count), names)
        axes.set_ylim(count - 0.5, -0.5)
        axes.margins(x=0.15)
        axes.set_xlabel("cents off: cross before, dot after")
        return _svg(figure)


@dataclass(frozen=True, slots=True)
class VoiceStrip:
    """One voice in the picture of the whole rig.

    Attributes:
        name: of the voice.
        curve: of its profile.
        sigmas: one sigma of the curve at its knots; may be empty.
        pitches: of its usable readings, shape (n,).
        checks: (note, cents off with the correction) of each check note.
        middle_c_octave: for names of notes.
    """

    name: str
    curve: TrackingCurve
    sigmas: tuple[float, ...]
    pitches: Floats
    checks: tuple[tuple[int, float], ...]
    middle_c_octave: int = 4


def rig_svg(strips: Sequence[VoiceStrip]) -> str:
    """Return every voice's error before and after on one picture, a strip a voice, as SVG."""
    with mpl.rc_context(STYLE | {"svg.hashsalt": "rig"}):
        size = (WIDTH_INCHES, 0.7 + STRIP_INCHES * len(strips))
        figure = Figure(figsize=size, layout="constrained")
        rows = figure.subplots(len(strips), 1, sharex=True, squeeze=False)[:, 0]
        low = min(float(one.pitches.min()) for one in strips) - 60.0
        high = max(float(one.pitches.max()) for one in strips) + 60.0
        for axes, one in zip(rows, strips, strict=True):
            _draw_strip(axes, one)
        notes = [note for note in range(0, 128, 12) if low <= 100 * note <= high]
        names = [name_of_note(note, strips[0].middle_c_octave) for note in notes]
        rows[-1].set_xticks([100.0 * note for note in notes], names)
        rows[-1].set_xlim(low, high)
        rows[-1].set_xlabel("note sent to the converter; cents off")
        return _svg(figure)


def _draw_strip(axes: Axes, one: VoiceStrip) -> None:
    pitches = np.linspace(float(one.pitches.min()), float(one.pitches.max()), 200)
    errors = np.array([one.curve.sounding(x) - x for x in pitches])
    axes.fill_between(pitches, 0.0, errors, color=BEFORE_COLOUR, alpha=0.25, linewidth=0)
    axes.plot(pitches, errors, color=BEFORE_COLOUR, linewidth=1)
    if one.sigmas:
        band = 2 * np.array(one.sigmas)
        axes.fill_between(one.curve.knots_cents, -band, band, color=AFTER_COLOUR, alpha=0.4)
    for note, after in one.checks:
        axes.plot(100.0 * note, after, "o", color=AFTER_COLOUR, markersize=4, zorder=4)
    for part in one.curve.unusable:
        axes.axvspan(
            part.lowest_cents, part.highest_cents, color=UNUSABLE_COLOUR, alpha=0.16, linewidth=0
        )
    most = max(LEAST_SPAN, float(np.abs(errors).max()), *(abs(after) for _, after in one.checks))
    axes.set_ylim(-1.15 * most, 1.15 * most)
    axes.set_ylabel(one.name[:12], rotation=0, ha="right", va="center")
    axes.locator_params(axis="y", nbins=3)


def history_svg(
    dates: Sequence[str], offsets: Floats, stretches: Floats, drifts: Sequence[float]
) -> str:
    """Return offset, stretch and drift from profile to profile, as SVG.

    Args:
        dates: as written, the oldest first; shape (n,).
        offsets: cents off in the middle of the range, shape (n,).
        stretches: cents an octave, shape (n,).
        drifts: cents a minute while it was measured, shape (n,).
    """
    with mpl.rc_context(STYLE | {"svg.hashsalt": "history"}):
        figure = Figure(figsize=(WIDTH_INCHES, 2.6), layout="constrained")
        place = np.arange(len(dates))
        for axes, values, title in zip(
            figure.subplots(1, 3),
            (offsets, stretches, drifts),
            ("offset, cents", "stretch, cents an octave", "drift, cents a minute"),
            strict=True,
        ):
            axes.plot(place, values, "-o", color=CURVE_COLOUR, linewidth=1.6, markersize=5)
            axes.set_title(title, loc="left", fontsize=10)
            # The first and the last date; the table below has all.
            ends = [int(place[0]), int(place[-1])]
            axes.set_xticks(ends, [dates[at][:10] for at in ends], fontsize=8)
            axes.margins(x=0.15, y=0.25)
            # Without a least span, hundredths of a cent would look like drift.
            low, high = axes.get_ylim()
            room = max(0.0, LEAST_SPAN - (high - low)) / 2.0
            axes.set_ylim(low - room, high + room)
        return _svg(figure)


def _inside(shown: Picture, pitches: Floats) -> NDArray[np.bool_]:
    """Return which pitches lie outside the unusable stretches, shape as ``pitches``."""
    return np.array([shown.curve.unusable_at(float(x)) is None for x in pitches], bool)


def _draw_curve(axes: Axes, shown: Picture) -> None:
    """Draw the curve, the readings with two sigma, and the unusable stretches."""
    low, high = _ends(shown)
    pitches = np.linspace(low, high, 400)
    errors = np.array([shown.curve.sounding(x) - x for x in pitches])
    axes.axhline(0.0, color=SOFT_COLOUR, linewidth=1)
    axes.plot(pitches, errors, color=CURVE_COLOUR, linewidth=1.8)
    axes.errorbar(
        shown.pitches,
        shown.cents,
        2 * shown.spreads,
        fmt="o",
        color=INK_COLOUR,
        markersize=4,
        elinewidth=1,
        capsize=0,
    )
    for part in shown.curve.unusable:
        left, right = max(part.lowest_cents, low), min(part.highest_cents, high)
        axes.axvspan(left, right, color=UNUSABLE_COLOUR, alpha=0.16, linewidth=0)
        axes.annotate(
            "unusable",
            ((left + right) / 2, 0.97),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="top",
            fontsize=9,
            color=UNUSABLE_COLOUR,
        )
    axes.set_ylabel("cents off, raw")
    usable = np.concatenate([shown.cents[shown.usable()], errors[_inside(shown, pitches)], [0.0]])
    room = 0.15 * max(float(np.ptp(usable)), 1.0)
    axes.set_ylim(usable.min() - room, usable.max() + room)


def _draw_rest(axes: Axes, shown: Picture) -> None:
    """Draw the readings less the curve, two sigma of the curve, and the corrected check notes."""
    left = shown.cents - np.array([shown.curve.sounding(x) - x for x in shown.pitches])
    if shown.sigmas:
        band = 2 * np.array(shown.sigmas)
        axes.fill_between(
            shown.curve.knots_cents, -band, band, color=CURVE_COLOUR, alpha=0.2, linewidth=0
        )
    axes.axhline(0.0, color=SOFT_COLOUR, linewidth=1)
    axes.errorbar(
        shown.pitches,
        left,
        2 * shown.spreads,
        fmt="o",
        color=INK_COLOUR,
        markersize=4,
        elinewidth=1,
    )
    for note, _, after in shown.checks:
        axes.plot(100.0 * note, after, "D", color=AFTER_COLOUR, markersize=5, zorder=4)
    sizes = [1.0, *(abs(after) for _, _, after in shown.checks), *np.abs(left[shown.usable()])]
    axes.set_ylim(-1.15 * max(sizes), 1.15 * max(sizes))
    axes.set_ylabel("cents left")


def _label_notes(axes: Axes, top: Axes, shown: Picture) -> None:
    """Label the lower axis with notes and the upper one with volts."""
    low, high = _ends(shown)
    every = 12 if high - low > 1200 else 2
    notes = [n for n in range(-24, 152) if n % every == 0 and low <= 100 * n <= high]
    names = [name_of_note(n, shown.middle_c_octave) if 0 <= n <= 127 else str(n) for n in notes]
    axes.set_xticks([100.0 * n for n in notes], names)
    axes.set_xlim(low, high)
    axes.set_xlabel("note sent to the converter")
    volts = top.secondary_xaxis("top")
    volts.set_xticks(
        [100.0 * n for n in notes],
        [_volts_text(pitch_to_volts(100.0 * n, shown.zero_volt_note)) for n in notes],
    )
    volts.tick_params(length=0)
    volts.spines["top"].set_visible(False)


def _volts_text(volts: float) -> str:
    """Return volts with three significant digits at most.

    >>> _volts(0.0), _volts(-1.0), _volts(1.5)
    ('0 V', '-1 V', '+1.5 V')
    """
    return "0 V" if abs(volts) < 0.005 else f"{volts:+.3g} V"


def _ends(shown: Picture) -> tuple[float, float]:
    """Return the ends of the pitch axis in cents."""
    ends = [*shown.pitches, shown.curve.knots_cents[0], shown.curve.knots_cents[-1]]
    ends += [part.lowest_cents for part in shown.curve.unusable]
    ends += [part.highest_cents for part in shown.curve.unusable]
    return float(min(ends)) - 60.0, float(max(ends)) + 60.0


def _svg(figure: Figure) -> str:
    """Return a figure as an SVG element: CSS variables for colours, the size of its parent."""
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    for colour, name in COLOUR_NAMES.items():
        text = text.replace(colour, f"var(--{name})")
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<svg [^>]*viewBox="([^"]+)"[^>]*>', r'<svg viewBox="\1" role="img">', text)
    text = re.sub(r"font: ([\d.]+px)[^;\"]*", r"font-size: \1; font-family: inherit", text)
    return text.replace("xlink:href", "href")


def nights_svg(nights: Sequence[tuple[str, Floats, Floats]]) -> str:
    """Return drift against time since power-on, a line a night, as SVG.

    Args:
        nights: (date, minutes, cents), the oldest first; shapes (n,).
    """
    with mpl.rc_context(STYLE | {"svg.hashsalt": "nights"}):
        figure = Figure(figsize=(WIDTH_INCHES, 2.6), layout="constrained")
        axes = figure.subplots()
        for place, (_, minutes, cents) in enumerate(nights):
            shade = 0.3 + 0.7 * (place + 1) / len(nights)
            axes.plot(minutes, cents, color=CURVE_COLOUR, alpha=shade, linewidth=1.6)
        axes.set_xlabel("minutes since power-on")
        axes.set_ylabel("drift, cents")
        return _svg(figure)
