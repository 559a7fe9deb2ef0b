"""The error tree: one class a cause, all under ``ZerobeatError``.

The text of an error is what the player reads: one line that says what was
found, what is allowed or wrong, and what to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice


class ZerobeatError(Exception):
    """Any fault that the player can do something about."""


class PitchRangeError(ZerobeatError):
    """A pitch, note or frequency that MIDI or mathematics cannot hold."""


class BendRangeError(ZerobeatError):
    """A bend outside the receiver's range, or a range that is not one."""


class NoteNameError(ZerobeatError):
    """A note name or number that cannot be read."""


class ScaleError(ZerobeatError):
    """A scale or keyboard map that cannot be used as asked."""


class ScaleFileError(ScaleError):
    """A ``.scl`` or ``.kbm`` file that breaks the format; names file and line."""


class TuningMessageError(ZerobeatError):
    """A damaged MIDI tuning message; its text is one word: what is wrong."""


class TrackingError(ZerobeatError):
    """Readings from which no tracking curve can be made."""


class ConfigError(ZerobeatError):
    """One or more faults in the player's files.

    Args:
        problems: one line a fault, in file order, each with file, line, key,
            found and allowed.
    """

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class PortError(ZerobeatError):
    """A MIDI port that is missing, doubled, busy or forbidden."""


class MissingLibraryError(PortError):
    """A library that MIDI ports need can't be imported; ``remedy`` says how to get it."""

    def __init__(self, library: str, remedy: str) -> None:
        super().__init__(f"python library {library} is missing; {remedy}")
        self.remedy = remedy


class ServerSilentError(PortError):
    """A JACK server that is there and does not answer."""


class MidiFileError(ZerobeatError):
    """A Standard MIDI File that cannot be read or written."""


class StoreError(ZerobeatError):
    """A file of the daemon's own that cannot be written or read back."""


class NewerFormatError(StoreError):
    """A file of the daemon's own whose format only a later version reads."""


class CommandError(ZerobeatError):
    """A command that names something the rig does not have."""


class MeasuringStoppedError(CommandError):
    """A client's measuring run is over: the player wanted the voices back.

    Args:
        by: what ended it, such as "a key".
    """

    def __init__(self, by: str) -> None:
        super().__init__(f"measuring stopped by {by}")
        self.by = by


class ControlError(ZerobeatError):
    """A daemon that can't be reached, or that has stopped answering."""


class NotRunningError(ControlError):
    """No daemon answers there; one may start later."""


class TakeRefusedError(ZerobeatError):
    """A recorded take whose pitch cannot be read.

    Args:
        reason: one word of ``measure.pitch.REASONS``.
        text: the line the player reads.
    """

    def __init__(self, reason: str, text: str) -> None:
        super().__init__(text)
        self.reason = reason


class MeasureError(ZerobeatError):
    """A measurement that can't go on, or whose result can't be used."""


class VoiceMeasureError(MeasureError):
    """A voice that can't be measured, while others can.

    Args:
        voice: its name, which begins the text.
        reason: the rest of the line.
    """

    def __init__(self, voice: str, reason: str) -> None:
        super().__init__(f"{voice}: {reason}")
        self.voice = voice


class FollowError(ZerobeatError):
    """What follow gets from the daemon is not what it should be."""


class AudioError(MeasureError):
    """An audio input that is missing, doubled, shut or gone."""


# ---------------------------------------------------------------- names that fail

NEAREST = 3
# What players type for a name that is called otherwise here.
SYNONYMS = {
    "transpose": "semitones",
    "transposition": "semitones",
    "tune": "detune_cents",
    "detune": "detune_cents",
    "key": "root",
    "tonic": "root",
    "mode": "scale",
    "tuning": "scale",
    "meter": "time_signature",
    "channel": "channel_number",
    "pitch": "concert_a_hz",
}


LONGEST_COMPARED = 80  # characters of a name for which a near one is looked for
MOST_COMPARED = 200  # names that it is compared with
_suggestions = {"left": 50}


def allow_suggestions(most: int) -> None:
    """Say how many near names may be looked for from now on; each costs up to a millisecond."""
    _suggestions["left"] = most


def one_of(text: str, names: Iterable[str]) -> str:
    """Return what an error says is allowed in place of a name: of many, the nearest three.

    >>> one_of("stesp", ["keys", "steps"])
    'keys, steps (did you mean steps?)'
    >>> one_of("dron", ["calm", "storm", "drone", "dawn", "steps"])
    'drone, dawn, storm and 2 more'
    """
    known = list(dict.fromkeys(names))
    if len(known) <= NEAREST:
        return ", ".join(known) + did_you_mean(text, known)
    return f"{', '.join(nearest(text, known))} and {len(known) - NEAREST} more"


def did_you_mean(text: str, names: Iterable[str]) -> str:
    """Return `` (did you mean NAME?)`` for a name that is near, or nothing."""
    near = nearest(text, names, 0.6)
    return f" (did you mean {near[0]}?)" if near else ""


def nearest(text: str, names: Iterable[str], cutoff: float = 0.0) -> list[str]:
    """Return up to three names, the nearest first."""
    from difflib import get_close_matches  # here: only what has failed needs it

    known = {name.lower(): name for name in islice(names, MOST_COMPARED)}
    if _suggestions["left"] <= 0 or len(text) > LONGEST_COMPARED:
        return [] if cutoff else list(known.values())[:NEAREST]
    _suggestions["left"] -= 1
    typed = text.lower()
    meant = SYNONYMS.get(typed, "")
    near = get_close_matches(typed, known, NEAREST, cutoff)
    found = ([meant] if meant in known else []) + near
    return [known[name] for name in dict.fromkeys(found)][:NEAREST]
