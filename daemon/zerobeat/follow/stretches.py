"""Which stretches of sound may be read: steady pitch, alone on its input, delay allowed for."""

from __future__ import annotations

import random
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from .expected_pitch import ExpectedPitch

READ_S = 0.3  # of sound
LEAST_PERIODS_READ = 8.0
LONGEST_READ_S = 1.0
MOST_SHARE = 1.0 / 3.0  # of the time of a voice
GUARDS_S = (0.06, 0.12, 0.25, 0.5)  # after a change; varied, so that what fades is seen to fade
END_GUARD_S = 0.02
RING_S = 0.8  # so long after its gate closed a voice may be heard on its input
KEPT_LINES = 64  # of each voice
KEPT_LINES_S = 8.0
UNKNOWN_DELAY_S = (-0.15, 0.3)  # of the path, before it was measured


@dataclass(frozen=True, slots=True)
class Stretch:
    """Sound to be read.

    Attributes:
        voice, input: whose, and where.
        from_s, seconds: of sound, monotonic, as the recorder stamps it.
        expected: what the voice should sound.
        since_onset_s: from the note's onset to the middle of the stretch.
        interval_cents: from the note before.
    """

    voice: str
    input: str
    from_s: float
    seconds: float
    expected: ExpectedPitch
    since_onset_s: float
    interval_cents: float


@dataclass(frozen=True, slots=True)
class ListenedVoice:
    """A voice as the stretches see it.

    Attributes:
        always_heard: it sounds on its input with its gate closed.
    """

    name: str
    input: str
    always_heard: bool = False


class StretchPicker:
    """Cuts the stream into stretches that may be read.

    Args:
        voices: with audio inputs, those that are not followed too: they can be heard.
        seed: of the times after an onset.

    Attributes:
        refused: counts of stretches that were not read, by voice and reason.
        passed_over: why a voice was not read last, where it was not.
        delays_s: (least, most) delay of the path by input, once measured.
    """

    def __init__(self, voices: Sequence[ListenedVoice], seed: int = 0) -> None:
        self._voices = {voice.name: voice for voice in voices}
        self._lines: dict[str, deque[ExpectedPitch]] = {
            voice.name: deque(maxlen=KEPT_LINES) for voice in voices
        }
        self._next_s: dict[str, float] = {}
        self._guard_s: dict[str, float] = dict.fromkeys(self._voices, GUARDS_S[0])
        self._choose = random.Random(seed).choice
        self.refused: dict[str, Counter[str]] = {voice.name: Counter() for voice in voices}
        self.passed_over: dict[str, str] = {}
        self.delays_s: dict[str, tuple[float, float]] = {}

    def hear(self, line: ExpectedPitch) -> None:
        """Take a line of the stream."""
        lines = self._lines.get(line.voice)
        if lines is not None:
            lines.append(line)

    def forget(self) -> None:
        """The stream lost lines: nothing before now is known."""
        for lines in self._lines.values():
            lines.clear()

    def newest(self, voice: str) -> ExpectedPitch | None:
        """Return what a voice should sound now."""
        lines = self._lines[voice]
        return lines[-1] if lines else None

    def delay_s(self, source: str) -> tuple[float, float]:
        """Return the least and the most delay of the path to an input."""
        return self.delays_s.get(source, UNKNOWN_DELAY_S)

    def rest(self, voice: str, until_s: float) -> None:
        """Pick nothing of a voice until a time."""
        self._next_s[voice] = until_s

    # ------------------------------------------------------------ picking

    def pick(self, name: str, now_s: float) -> Stretch | None:
        """Return sound of a voice that is complete now and may be read, or None."""
        if now_s < self._next_s.get(name, 0.0):
            return None
        voice = self._voices[name]
        lines = self._lines[name]
        least_s, most_s = self.delay_s(voice.input)
        for place in range(len(lines) - 1, max(-1, len(lines) - 4), -1):
            line = lines[place]
            ended = place + 1 < len(lines)
            end_s = lines[place + 1].at_s if ended else now_s - least_s
            if end_s < now_s - KEPT_LINES_S:
                return None
            found = self._within(voice, lines, place, end_s + least_s - END_GUARD_S, ended, now_s)
            if found is None:
                continue
            reason = self._reason(voice, found, line, most_s)
            self._next_s[name] = found.from_s + found.seconds / MOST_SHARE
            self._guard_s[name] = self._choose(GUARDS_S)
            if not reason:
                return found
            self.refused[name][reason] += 1
            self.passed_over[name] = reason
            return None
        return None

    def _within(
        self,
        voice: ListenedVoice,
        lines: deque[ExpectedPitch],
        place: int,
        end_s: float,
        ended: bool,
        now_s: float,
    ) -> Stretch | None:
        line = lines[place]
        _, most_s = self.delay_s(voice.input)
        if line.pitch_cents is None or line.profile_cents is None:
            return None
        if not (line.gate or voice.always_heard):
            return None
        hertz = 440.0 * 2.0 ** ((line.pitch_cents - 6900.0) / 1200.0)
        seconds = min(max(READ_S, LEAST_PERIODS_READ / max(hertz, 1.0)), LONGEST_READ_S)
        guard_s = self._guard_s[voice.name]
        earliest_s = max(line.settled_s, line.at_s) + most_s + GUARDS_S[0]
        from_s = max(max(line.settled_s, line.at_s) + most_s + guard_s, end_s - 2.0 * seconds)
        if from_s + seconds > end_s and ended:  # a short note: what there is of it
            from_s = end_s - seconds
        from_s = max(from_s, self._next_s.get(voice.name, 0.0))
        if from_s < earliest_s or from_s + seconds > min(end_s, now_s):
            return None
        onset_s, before = line.at_s, 0.0
        for other in reversed(list(lines)[: place + 1]):
            if other.strikes != line.strikes:
                if other.pitch_cents is not None:
                    before = line.pitch_cents - other.pitch_cents
                break
            onset_s = other.at_s
        middle_s = from_s + seconds / 2.0 - most_s
        return Stretch(voice.name, voice.input, from_s, seconds, line, middle_s - onset_s, before)

    def _reason(
        self, voice: ListenedVoice, found: Stretch, line: ExpectedPitch, most_s: float
    ) -> str:
        """Return why a stretch may not be read; "" if it may."""
        if line.raw:
            return "played raw or measured"
        if line.moving:
            return "wheel or glide"
        for other in self._voices.values():
            if other.name == voice.name or other.input != voice.input:
                continue
            if self._heard(other, found.from_s - most_s, found.from_s + found.seconds):
                return "second voice on the input"
        return ""

    def _heard(self, other: ListenedVoice, from_s: float, to_s: float) -> bool:
        """Return whether another voice may be heard within a time."""
        lines = self._lines[other.name]
        if other.always_heard:
            return bool(lines) and lines[-1].pitch_cents is not None
        gate_until_s = None
        for line in lines:
            if line.at_s > to_s:
                break
            if line.gate:
                gate_until_s = to_s
            elif gate_until_s is not None:
                gate_until_s = min(gate_until_s, line.at_s)
        return gate_until_s is not None and gate_until_s + RING_S > from_s


def inputs_of(voices: Sequence[ListenedVoice]) -> Mapping[str, list[str]]:
    """Return the voices of each input."""
    found: dict[str, list[str]] = {}
    for voice in voices:
        found.setdefault(voice.input, []).append(voice.name)
    return found
