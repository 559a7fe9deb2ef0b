"""The error tree: one class a cause, all under ``ZerobeatError``.

The text of an error is what the player reads: one line that says what was
found, what is allowed or wrong, and what to do.
"""

from __future__ import annotations


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


class MidiFileError(ZerobeatError):
    """A Standard MIDI File that cannot be read or written."""


class StoreError(ZerobeatError):
    """A file of the daemon's own that cannot be written or read back."""


class NewerFormatError(StoreError):
    """A file of the daemon's own whose format only a later version reads."""


class CommandError(ZerobeatError):
    """A command that names something the rig does not have."""


class ControlError(ZerobeatError):
    """A daemon that can't be reached, or that has stopped answering."""


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


class AudioError(MeasureError):
    """An audio input that is missing, doubled, shut or gone."""
