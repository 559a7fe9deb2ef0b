"""MIDI Tuning Standard: what a tuning message says, and the tunings that messages have made.

| form | bytes after ``F0`` |
| --- | --- |
| bulk dump | ``7E id 08 01 tt name[16] (xx yy zz)[128] ck`` |
| bulk dump with bank | ``7E id 08 04 bb tt name[16] (xx yy zz)[128] ck`` |
| single notes | ``7F id 08 02 tt ll (kk xx yy zz)[ll]`` |
| single notes with bank | ``7E or 7F id 08 07 bb tt ll (kk xx yy zz)[ll]`` |
| scale/octave, 1 byte | ``7E or 7F id 08 08 ff gg hh ss[12]`` |
| scale/octave, 2 bytes | ``7E or 7F id 08 09 ff gg hh (ss tt)[12]`` |
| scale/octave dump, 1 byte | ``7E id 08 05 bb tt name[16] ss[12] ck`` |
| scale/octave dump, 2 bytes | ``7E id 08 06 bb tt name[16] (ss tt)[12] ck`` |

``xx yy zz`` is an equal-tempered key and a 14-bit fraction of a semitone; ``7F 7F 7F`` leaves a
key as it is. A dump's checksum is the exclusive or of all that stands between ``F0`` and it; the
one that the text of the standard gives, which leaves out ``08``, is taken as well. Any device
number is ours. Requests for a dump are no business of a converter.

Source: MIDI Tuning Standard (Complete MIDI 1.0 Detailed Specification, pp. 47 to 52); MIDI Tuning
Updated Specification (CA-020, CA-021, RP-020).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..errors import TuningMessageError

WORD_STEP_CENTS = 100.0 / 16384.0  # of a 14-bit fraction of a semitone
OCTAVE_STEP_CENTS = 100.0 / 8192.0  # of the 2-byte scale/octave form
EQUAL = tuple(100.0 * key for key in range(128))
EVERY_CHANNEL = frozenset(range(16))
MOST_PROGRAMS = 16  # tunings kept of one input

_UNIVERSAL, _REAL_TIME = 0x7E, 0x7F
_TUNING = 0x08
_REQUESTS = (0x00, 0x03)
_NAME_BYTES = 16
_KEEP = (0x7F, 0x7F, 0x7F)
# Sub-id: whether it may come as non-real-time and as real-time.
_FORMS = {
    0x01: (True, False),
    0x02: (False, True),
    0x04: (True, False),
    0x05: (True, False),
    0x06: (True, False),
    0x07: (True, True),
    0x08: (True, True),
    0x09: (True, True),
}


@dataclass(frozen=True, slots=True)
class NoteTuning:
    """Keys of one tuning program that have other pitches from now on.

    Args:
        bank, program: which tuning of the sender it changes.
        name: of a dump; "" for single notes.
        pitches_cents: above key 0 at a concert A of 440 Hz, by key; others stay as they are.
    """

    bank: int
    program: int
    name: str
    pitches_cents: Mapping[int, float]


@dataclass(frozen=True, slots=True)
class OctaveTuning:
    """Twelve offsets, C first, for every octave.

    Args:
        channels: that it is for, 0 to 15.
        name: of a dump; "" without one.
        offsets_cents: from equal temperament.
        place: bank and program of a dump; None without them.
    """

    channels: frozenset[int]
    name: str
    offsets_cents: tuple[float, ...]
    place: tuple[int, int] | None = None


TuningMessage = NoteTuning | OctaveTuning
NamedPitches = tuple[str, tuple[float, ...]]  # a name, and 128 pitches in cents above key 0


def read_tuning_message(content: bytes) -> TuningMessage | None:
    """Return what a whole system exclusive message says of tuning; None if it says nothing of it.

    Raises:
        TuningMessageError: it is one, and damaged; one short reason.
    """
    if len(content) < 5 or content[3] != _TUNING or content[1] not in (_UNIVERSAL, _REAL_TIME):
        return None
    form = content[4]
    if form in _REQUESTS:
        return None
    allowed = _FORMS.get(form)
    if allowed is None:
        raise TuningMessageError("form")
    if not allowed[content[1] == _REAL_TIME]:
        raise TuningMessageError("form")
    if content[0] != 0xF0 or content[-1] != 0xF7 or max(content[1:-1]) > 0x7F:
        raise TuningMessageError("byte")
    body = content[5:-1]
    if form in (0x01, 0x04):
        return _dump(content, body, banked=form == 0x04)
    if form in (0x02, 0x07):
        return _notes(body, banked=form == 0x07)
    if form in (0x05, 0x06):
        return _octave_dump(content, body, wide=form == 0x06)
    return _octave(body, wide=form == 0x09)


def _dump(content: bytes, body: bytes, banked: bool) -> NoteTuning:
    start = 2 if banked else 1
    if len(body) != start + _NAME_BYTES + 3 * 128 + 1:
        raise TuningMessageError("length")
    _check_sum(content)
    data = body[start + _NAME_BYTES : -1]
    pitches: dict[int, float] = {}
    for key in range(128):
        word = data[3 * key : 3 * key + 3]
        if tuple(word) != _KEEP:
            pitches[key] = word_to_cents(word)
    name = _name(body[start : start + _NAME_BYTES])
    return NoteTuning(body[0] if banked else 0, body[start - 1], name, pitches)


def _notes(body: bytes, banked: bool) -> NoteTuning:
    start = 3 if banked else 2
    if len(body) < start or len(body) != start + 4 * body[start - 1]:
        raise TuningMessageError("length")
    pitches: dict[int, float] = {}
    for place in range(start, len(body), 4):
        word = body[place + 1 : place + 4]
        if tuple(word) != _KEEP:
            pitches[body[place]] = word_to_cents(word)
    return NoteTuning(body[0] if banked else 0, body[start - 2], "", pitches)


def _octave(body: bytes, wide: bool) -> OctaveTuning:
    if len(body) != 3 + (24 if wide else 12):
        raise TuningMessageError("length")
    if body[0] > 0x03:
        raise TuningMessageError("channels")
    bits = body[0] << 14 | body[1] << 7 | body[2]
    channels = frozenset(channel for channel in range(16) if bits >> channel & 1)
    return OctaveTuning(channels, "", _offsets(body[3:], wide))


def _octave_dump(content: bytes, body: bytes, wide: bool) -> OctaveTuning:
    if len(body) != 2 + _NAME_BYTES + (24 if wide else 12) + 1:
        raise TuningMessageError("length")
    _check_sum(content)
    offsets = _offsets(body[2 + _NAME_BYTES : -1], wide)
    name = _name(body[2 : 2 + _NAME_BYTES])
    return OctaveTuning(EVERY_CHANNEL, name, offsets, (body[0], body[1]))


def _offsets(data: bytes, wide: bool) -> tuple[float, ...]:
    if not wide:
        return tuple(float(byte - 0x40) for byte in data)
    pairs = zip(data[::2], data[1::2], strict=True)
    return tuple(OCTAVE_STEP_CENTS * ((high << 7 | low) - 0x2000) for high, low in pairs)


def _name(content: bytes) -> str:
    text = content.decode("ascii").rstrip("\0 ").strip()
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def _check_sum(content: bytes) -> None:
    found = content[-2]
    whole = 0
    for byte in content[1:-2]:
        whole ^= byte
    if found not in (whole, whole ^ _TUNING):
        raise TuningMessageError("checksum")


def word_to_cents(word: bytes) -> float:
    """Return the pitch of three bytes, in cents above key 0.

    >>> word_to_cents(bytes((0x45, 0x00, 0x00)))
    6900.0
    """
    return 100.0 * word[0] + WORD_STEP_CENTS * (word[1] << 7 | word[2])


def cents_to_word(pitch_cents: float) -> bytes:
    """Return the three bytes of a pitch, rounded to the nearest step; a tie goes up.

    Pitches beyond the range have its ends: ``00 00 00`` and ``7F 7F 7E``.

    >>> cents_to_word(6900.0).hex(" ")
    '45 00 00'
    """
    steps = int(pitch_cents / WORD_STEP_CENTS + 0.5) if pitch_cents > 0.0 else 0
    steps = min(steps, (0x7F << 14) + 0x3FFE)
    return bytes((steps >> 14, steps >> 7 & 0x7F, steps & 0x7F))


class ReceivedTunings:
    """The tunings that the messages of one input have made."""

    def __init__(self) -> None:
        self._programs: dict[tuple[int, int], NamedPitches] = {}

    def find(self, bank: int, program: int) -> NamedPitches | None:
        """Return the name and the 128 pitches of a program; None if it never came."""
        return self._programs.get((bank, program))

    def take(self, message: TuningMessage) -> NamedPitches:
        """Return the name and the 128 pitches that are in force after a message.

        A program that was not sent yet is in equal temperament; the least recently sent of more
        than ``MOST_PROGRAMS`` is forgotten.
        """
        if isinstance(message, OctaveTuning):
            pitches = tuple(100.0 * key + message.offsets_cents[key % 12] for key in range(128))
            found = (message.name or "received", pitches)
            return found if message.place is None else self._keep(message.place, found)
        place = (message.bank, message.program)
        name, before = self._programs.get(place, ("received", EQUAL))
        following = list(before)
        for key, pitch_cents in message.pitches_cents.items():
            following[key] = pitch_cents
        return self._keep(place, (message.name or name, tuple(following)))

    def _keep(self, place: tuple[int, int], tuning: NamedPitches) -> NamedPitches:
        self._programs.pop(place, None)
        self._programs[place] = tuning
        if len(self._programs) > MOST_PROGRAMS:
            del self._programs[next(iter(self._programs))]
        return tuning
