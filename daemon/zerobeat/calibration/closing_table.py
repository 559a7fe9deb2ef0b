"""The table that ends ``measure --all`` and ``soundcheck``: a voice a row, and what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..console.cells import fit, wrap_cells
from .measurement import MeasuredVoice
from .soundcheck import SoundcheckFindings, Verdict

COLUMNS = 79
MOST_LINES = 23  # a terminal has 24, and the prompt needs one
_NAME, _FIGURE = 9, 8
_START = _NAME + 3 * (_FIGURE + 1) + 2
READY = "ready"


@dataclass(frozen=True, slots=True)
class ClosingRow:
    """A voice at the end: errors in cents, None where nothing was read.

    Attributes:
        before_cents: the worst error as it was.
        after_cents: the worst error now.
        known_cents: how well its curve is known where it is known least.
        to_do: for the player; ``READY`` if nothing is left.
    """

    voice: str
    before_cents: float | None
    after_cents: float | None
    known_cents: float | None
    to_do: str = READY


def measured_rows(found: Mapping[str, MeasuredVoice | str]) -> list[ClosingRow]:
    """Return the rows of a measurement; a voice that was not measured says why."""
    rows = []
    for name, one in found.items():
        if isinstance(one, str):
            rows.append(ClosingRow(name, None, None, None, one.removeprefix(f"{name}: ")))
            continue
        before, after = one.left
        if one.proof is not None:
            before = _worst([check.before_cents for check in one.proof.checks], before)
            after = _worst([check.after_cents for check in one.proof.checks], after)
        to_do = "; ".join(one.fit.advice) or READY
        rows.append(ClosingRow(name, before, after, one.fit.worst_cents, to_do))
    return rows


def checked_row(
    found: SoundcheckFindings, verdict: Verdict, drift_cents: float | None
) -> ClosingRow:
    """Return the row of a soundcheck.

    Args:
        drift_cents: what the touch-up found; None if it found nothing.
    """
    to_do = verdict.text if not verdict.ready else READY
    if verdict.ready and found.unmeasured:
        to_do = "ready, played raw: measure it"
    return ClosingRow(found.voice, drift_cents, found.check_cents, None, to_do)


def _worst(each: Sequence[float | None], other: float) -> float:
    read = [abs(cents) for cents in each if cents is not None]
    return max(read, default=other)


def closing_lines(rows: Sequence[ClosingRow], most: int = MOST_LINES) -> list[str]:
    """Return the table; where it would be too long, voices that are ready are counted only."""
    heading = (
        f"{'voice':<{_NAME}} {'before':>{_FIGURE}} {'now':>{_FIGURE}} {'known to':>{_FIGURE}}"
        "  what to do"
    )
    lines = [heading, *(line for row in rows for line in _row_lines(row))]
    if len(lines) <= most:
        return lines
    lines = [heading, *(_row_lines(row)[0] for row in rows)]
    if len(lines) <= most:
        return lines
    urgent = [row for row in rows if not row.to_do.startswith(READY)][: most - 2]
    rest = len(rows) - len(urgent)
    return [heading, *(_row_lines(row)[0] for row in urgent), f"and {rest} more"]


def _row_lines(row: ClosingRow) -> list[str]:
    figures = (row.before_cents, row.after_cents, row.known_cents)
    cells = " ".join(f"{_cents(cents):>{_FIGURE}}" for cents in figures)
    first, *more = wrap_cells(row.to_do, COLUMNS - _START)
    return [f"{fit(row.voice, _NAME)} {cells}  {first}", *(" " * _START + text for text in more)]


def _cents(cents: float | None) -> str:
    return "-" if cents is None else f"{abs(cents):.1f} ct"
