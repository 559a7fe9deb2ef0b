"""The verdict of a soundcheck: for each voice one line, ready or what to do."""

from __future__ import annotations

from dataclasses import dataclass

from ..measure.pitch.reader import REASONS

TOO_QUIET_DBFS = -50.0
TOO_LOUD_PEAK_SHARE = 0.001
READY_CENTS = 1.0


@dataclass(frozen=True, slots=True)
class SoundcheckFindings:
    """The findings on one voice; None is not tested.

    Attributes:
        refused: why its take could not be read; "" if it could.
        answers: the voice that followed the pattern instead, if another did.
        follows: whether the sound followed the pattern of small bends.
        level_dbfs, peak_share: as the reader gives them.
        bend_ratio: measured bend over bend sent.
        touched: a line on the touch-up; ``touch_refused`` why there is none.
        check_cents: error of the check note, with profile and touch-up.
        unmeasured: the voice has no profile.
        not_followed: why follow can't follow it as it is patched; "" if nothing speaks against it.
    """

    voice: str
    refused: str = ""
    answers: str = ""
    follows: bool | None = None
    level_dbfs: float | None = None
    peak_share: float = 0.0
    bend_ratio: float | None = None
    touched: str = ""
    touch_refused: str = ""
    check_cents: float | None = None
    unmeasured: bool = False
    not_followed: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a voice is ready, and a text on it."""

    voice: str
    ready: bool
    text: str

    def line(self) -> str:
        """Return one line: ready, or what to do."""
        return f"{self.voice:<10} {'ready    ' if self.ready else 'NOT READY'} {self.text}"


def verdict_of(found: SoundcheckFindings, good_cents: float = READY_CENTS) -> Verdict:
    """Return the verdict on a voice: its first fault only, or its figures."""
    fault = _first_fault(found, good_cents)
    if fault:
        return Verdict(found.voice, False, fault)
    parts = []
    if found.level_dbfs is not None:
        parts.append(f"{found.level_dbfs:.0f} dBFS")
    if found.touched:
        parts.append(found.touched)
    if found.check_cents is not None:
        parts.append(f"check note {found.check_cents:+z.2f} cents")
    if found.unmeasured:
        parts.append("played raw: not measured")
    parts.append(f"not followable: {found.not_followed}" if found.not_followed else "followable")
    return Verdict(found.voice, True, ", ".join(parts))


def _first_fault(found: SoundcheckFindings, good_cents: float) -> str:
    if found.answers:
        return f"the voice {found.answers} answers on this input: swap the two cables"
    if found.refused:
        return f"{found.refused.replace('_', ' ')}: {REASONS.get(found.refused, found.refused)}"
    if found.follows is False:
        return "what is heard does not follow the bends sent: check cable, channel, sync, vibrato"
    if found.peak_share > TOO_LOUD_PEAK_SHARE:
        return "the input overloads: turn its level down"
    if found.level_dbfs is not None and found.level_dbfs < TOO_QUIET_DBFS:
        return f"{found.level_dbfs:.0f} dBFS is too quiet: turn its level up"
    if found.bend_ratio is not None and abs(found.bend_ratio - 1.0) > 0.03:
        return f"bends come out {found.bend_ratio:.2f} times as wide as sent: set the bend range"
    if found.touch_refused:
        return found.touch_refused
    if found.check_cents is not None and abs(found.check_cents) > good_cents:
        return (
            f"check note {found.check_cents:+z.2f} cents off after the touch-up: measure it again"
        )
    return ""
