"""The row of each voice: what sounds, how it stands in words, and last its correction."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..tuning.units import name_of_note
from .cells import fit, width_of, wrap_cells
from .line import Line, Mark, StatusFields

SOUNDS = ">"  # before the key of a voice that sounds
HOLD_WORDS = {
    "none": "at once",
    "note": "next note",
    "trigger": "next trigger",
    "sample": "sampled at the trigger",
}
WAITS_FOR = {
    "none": "changes at once",
    "note": "waits for the next note",
    "trigger": "waits for the trigger",
    "sample": "waits for the trigger",
}
_NAME, _KEY, _SOUNDS, _CORRECTION, _USED = 9, 8, 12, 10, 9
_FULL_START = _NAME + 1 + 2 + _KEY + _SOUNDS + 1
_FULL_END = 1 + _CORRECTION + 1 + _USED
_SHORT_NAME, _SHORT_KEY, _SHORT_CORRECTION = 6, 4, 6
_SHORT_START = _SHORT_NAME + 1 + 2 + _SHORT_KEY + 1
_SHORT_END = 1 + _SHORT_CORRECTION


@dataclass(frozen=True, slots=True)
class VoiceRow:
    """A voice on the screen.

    Args:
        start, end: the text beside the state, of a fixed width.
        states: how it stands, in words, the most important first.
        width: of the state's column.
        mark: of its lines.
        urgent: it is in trouble, else it sounds, else neither: 0, 1, 2.
    """

    start: str
    end: str
    states: tuple[str, ...]
    width: int
    mark: Mark
    urgent: int

    def most_lines(self) -> int:
        """Return how many lines show every word."""
        return len(wrap_cells(", ".join(self.states), self.width))

    def lines(self, most: int) -> list[Line]:
        """Return at most so many lines; a state that does not fit is left out as a whole."""
        states = list(self.states)
        while len(states) > 1 and len(wrap_cells(", ".join(states), self.width)) > most:
            states.pop()
        texts = wrap_cells(", ".join(states), self.width)[:most]
        first, *more = texts
        lines = [Line(f"{self.start}{fit(first, self.width)}{self.end}", self.mark)]
        return lines + [Line(" " * width_of(self.start) + text, self.mark) for text in more]


def voice_row(
    voice: StatusFields, columns: int, full: bool, octave: int, concert_a_hz: float, now_s: float
) -> VoiceRow:
    """Return the row of a voice.

    Args:
        voice: its part of the status.
        columns: of the screen.
        full: with all columns of figures.
        octave: of the key 60.
        concert_a_hz: of tonight.
        now_s: Unix time, for the age of a touch-up; 0: no age is shown.
    """
    sounds = SOUNDS if voice["key"] is not None else " "
    if full:
        start = (
            f"{fit(voice['name'], _NAME)} {sounds} {_key(voice, octave):<{_KEY}}"
            f"{_sounds(voice, octave, concert_a_hz):<{_SOUNDS}} "
        )
        end = (
            f" {cents_text(voice['correction_cents']):>{_CORRECTION}}"
            f" {percent(voice['bend_used']):>{_USED}}"
        )
        width = columns - _FULL_START - _FULL_END
    else:
        key = "" if voice["key"] is None else name_of_note(voice["key"], octave)
        start = f"{fit(voice['name'], _SHORT_NAME)} {sounds} {key:<{_SHORT_KEY}} "
        end = f" {_tight(voice['correction_cents']):>{_SHORT_CORRECTION}}"
        width = columns - _SHORT_START - _SHORT_END
    if columns < _SHORT_START + _SHORT_END + 12:  # too narrow for figures
        end, width = "", max(1, columns - width_of(start))
    states = tuple(words(voice, now_s if full or columns >= 56 else 0.0))
    mark: Mark = "bad" if trouble(voice) else "waits" if voice["waits"] else ""
    urgent = 0 if trouble(voice) else 1 if voice["key"] is not None else 2
    return VoiceRow(start, end, states, width, mark, urgent)


def heading(columns: int, full: bool) -> Line:
    """Return the heading over the rows."""
    if full:
        start = f"{'voice':<{_NAME}}   {'key':<{_KEY}}{'sounds':<{_SOUNDS}} "
        width = columns - _FULL_START - _FULL_END
        end = f" {'correction':>{_CORRECTION}} {'bend used':>{_USED}}"
        return Line(f"{start}{'state':<{width}}{end}", "head")
    start = f"{'voice':<{_SHORT_NAME}}   {'key':<{_SHORT_KEY}} "
    width = max(0, columns - _SHORT_START - _SHORT_END)
    return Line(f"{start}{'state':<{width}} {'corr.':>{_SHORT_CORRECTION}}", "head")


# ---------------------------------------------------------------- in words


def trouble(voice: StatusFields) -> str:
    """Return what is wrong with a voice, the worst first; "" if nothing is."""
    for wrong, text in (
        (not voice["output_there"], "converter missing"),
        (voice["out_of_reach"], "key out of reach"),
        (voice["unusable"], "can't be corrected here"),
        (voice["wheel_clamped"], "bend used up"),
        (voice["move_waits"], "moves at its next note"),
        (voice["extrapolated"], "beyond readings"),
    ):
        if wrong:
            return text
    return ""


def followed_words(follow: StatusFields | None) -> list[str]:
    """Return what follow believes of a voice, and why it is left alone."""
    if not follow:
        return []
    if follow.get("drift_cents") is None:
        return [f"not followed: {follow['why']}"] if follow.get("why") else []
    if follow.get("knob_cents") is not None:
        return [f"knob turned {follow['knob_cents']:+.1f} ct"]
    rate, age_s = follow.get("rate_cents_per_min") or 0.0, follow.get("age_s") or 0.0
    text = f"follow {follow['drift_cents']:+.1f} ct {rate:+.1f}/min, {age_s:.0f} s ago"
    return [text if follow.get("sure") else f"{text}: {follow.get('why')}"]


def words(voice: StatusFields, now_s: float = 0.0) -> list[str]:
    """Return the state of a voice in words, the most important first."""
    parts = [found] if (found := trouble(voice)) else []
    parts += [str(voice["unusable"])] if voice["unusable"] else []
    parts += ["gliding"] if voice.get("glide_to_cents") is not None else []
    parts += ["measuring"] if voice.get("measuring") else []
    parts += followed_words(voice.get("follow"))
    parts += ["muted"] if voice["mute"] else []
    parts += ["solo"] if voice["solo"] else []
    if voice["bypass"]:
        parts.append(" + ".join(("raw", *voice.get("still_acts", ()))))
    if voice["waits"]:
        parts.append(WAITS_FOR.get(voice["waits"]) or str(voice["waits"]))
    parts += ["check its profile"] if voice["stale"] else []
    parts += [] if voice["measured"] else ["not measured"]
    parts += _touched_up(voice["touch_up"], now_s)
    return parts or ["sounds" if voice["key"] is not None else "silent"]


def _touched_up(touch_up: StatusFields, now_s: float) -> list[str]:
    if not (touch_up["offset_cents"] or touch_up["stretch_cents"]):
        return []
    passed_s = now_s - touch_up.get("at_s", 0.0)
    if not now_s or not touch_up.get("at_s") or passed_s < 0:
        return ["touched up"]
    for unit, seconds in (("d", 86400), ("h", 3600), ("min", 60)):
        if passed_s >= seconds:
            return [f"touched up {passed_s // seconds:.0f} {unit} ago"]
    return ["touched up just now"]


# ---------------------------------------------------------------- in figures


def cents_text(cents: float | None) -> str:
    """Return cents with their unit; adding zero after rounding turns -0.0 into 0.0."""
    return "-" if cents is None else f"{round(cents, 1) + 0.0:+z.1f} ct"


def percent(share: float) -> str:
    return f"{100.0 * share:.0f}%"


def _tight(cents: float | None) -> str:
    """Return cents in five characters, without their unit."""
    if cents is None:
        return "-"
    return cents_text(cents)[:-3] if abs(cents) < 99.95 else f"{cents:+z.0f}"


def _key(voice: StatusFields, octave: int) -> str:
    key = voice["key"]
    return "-" if key is None else f"{name_of_note(key, octave)} {key}"


def _sounds(voice: StatusFields, octave: int, concert_a_hz: float) -> str:
    """Return the pitch to be heard as the nearest note of tonight's concert pitch and cents."""
    if voice["sounding_cents"] is None:
        return "-"
    above = voice["sounding_cents"] - 1200.0 * math.log2(concert_a_hz / 440.0)
    note = round(above / 100.0)
    name = name_of_note(note, octave) if 0 <= note <= 127 else "?"
    return f"{name} {cents_text(above - 100.0 * note)}"
