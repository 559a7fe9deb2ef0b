"""MIDI tuning messages, built by the published layout."""

from __future__ import annotations

from functools import reduce
from operator import xor

from kit.published_figures import published
from zerobeat.tuning.midi_tuning import EQUAL, cents_to_word

KEEP = bytes((0x7F, 0x7F, 0x7F))
MEANTONE = published("mts/scale_octave")["offsets_cents"]


def with_sum(body: bytes) -> bytes:
    """Return a dump with its checksum: the exclusive or of all between F0 and it."""
    return bytes((0xF0, *body, reduce(xor, body) & 0x7F, 0xF7))


def bulk(pitches=EQUAL, *, name="EQUAL12", program=0, bank=None, device=0) -> bytes:
    data = b"".join(KEEP if pitch is None else cents_to_word(pitch) for pitch in pitches)
    place = (1, program) if bank is None else (4, bank, program)
    return with_sum(bytes((0x7E, device, 8, *place)) + name.ljust(16).encode() + data)


def octave_dump(data: bytes, form: int) -> bytes:
    return with_sum(bytes((0x7E, 0, 8, form, 3, 7)) + b"OCTAVE".ljust(16) + data)
