"""Tables of built-in scales: semitones of modes, cents of temperaments.

A name alone is not a safe key, so each entry carries its intervals, and the
names that stand for several scales are listed with their choices.

Sources of the modes: their names and sets as general music theory libraries
have them, tonal (scale-type 4.9.3, MIT) and music21 (10.5.1, BSD-3-Clause);
tests compare all of them, nothing else is taken from there. Temperaments
follow from the rule beside each, and tests compare them with printed tables.
The source of the maqamat stands beside them.
"""

from __future__ import annotations

import math
from fractions import Fraction

# Name, other names, semitones above the root. "sharp 4" may also be written
# "#4" and "flat 2" "b2"; in YAML, " #" starts a comment unless quoted.
MODES: tuple[tuple[str, tuple[str, ...], tuple[int, ...]], ...] = (
    ("major", ("ionian",), (0, 2, 4, 5, 7, 9, 11)),
    ("dorian", (), (0, 2, 3, 5, 7, 9, 10)),
    ("phrygian", (), (0, 1, 3, 5, 7, 8, 10)),
    ("lydian", (), (0, 2, 4, 6, 7, 9, 11)),
    ("mixolydian", ("dominant",), (0, 2, 4, 5, 7, 9, 10)),
    ("natural minor", ("minor", "aeolian", "melodic minor descending"), (0, 2, 3, 5, 7, 8, 10)),
    ("locrian", (), (0, 1, 3, 5, 6, 8, 10)),
    ("harmonic minor", (), (0, 2, 3, 5, 7, 8, 11)),
    ("melodic minor", ("melodic minor ascending", "jazz minor"), (0, 2, 3, 5, 7, 9, 11)),
    ("harmonic major", (), (0, 2, 4, 5, 7, 8, 11)),
    ("dorian flat 2", ("phrygian sharp 6",), (0, 1, 3, 5, 7, 9, 10)),
    ("lydian augmented", (), (0, 2, 4, 6, 8, 9, 11)),
    ("lydian dominant", ("acoustic", "overtone"), (0, 2, 4, 6, 7, 9, 10)),
    ("mixolydian flat 6", (), (0, 2, 4, 5, 7, 8, 10)),
    ("locrian sharp 2", ("half-diminished", "aeolian flat 5"), (0, 2, 3, 5, 6, 8, 10)),
    ("altered", ("super locrian", "diminished whole tone"), (0, 1, 3, 4, 6, 8, 10)),
    ("locrian natural 6", (), (0, 1, 3, 5, 6, 9, 10)),
    ("ionian sharp 5", (), (0, 2, 4, 5, 8, 9, 11)),
    ("dorian sharp 4", ("ukrainian dorian", "romanian minor"), (0, 2, 3, 6, 7, 9, 10)),
    ("phrygian dominant", ("spanish",), (0, 1, 4, 5, 7, 8, 10)),
    ("lydian sharp 9", (), (0, 3, 4, 6, 7, 9, 11)),
    ("ultralocrian", (), (0, 1, 3, 4, 6, 8, 9)),
    ("double harmonic major", ("double harmonic", "byzantine"), (0, 1, 4, 5, 7, 8, 11)),
    ("hungarian minor", ("double harmonic minor",), (0, 2, 3, 6, 7, 8, 11)),
    ("hungarian major", (), (0, 3, 4, 6, 7, 9, 10)),
    ("neapolitan minor", (), (0, 1, 3, 5, 7, 8, 11)),
    ("neapolitan major", (), (0, 1, 3, 5, 7, 9, 11)),
    ("persian", (), (0, 1, 4, 5, 6, 8, 11)),
    ("enigmatic", (), (0, 1, 4, 6, 8, 10, 11)),
    ("major pentatonic", ("pentatonic",), (0, 2, 4, 7, 9)),
    ("minor pentatonic", (), (0, 3, 5, 7, 10)),
    ("blues", ("minor blues",), (0, 3, 5, 6, 7, 10)),
    ("major blues", (), (0, 2, 3, 4, 7, 9)),
    ("egyptian", ("suspended pentatonic",), (0, 2, 5, 7, 10)),
    ("ritusen", (), (0, 2, 5, 7, 9)),
    ("malkos raga", ("blues minor pentatonic",), (0, 3, 5, 8, 10)),
    ("hirajoshi", ("hirajoshi 0 2 3 7 8",), (0, 2, 3, 7, 8)),
    ("hirajoshi 0 4 6 7 11", (), (0, 4, 6, 7, 11)),
    ("hirajoshi 0 1 5 6 10", (), (0, 1, 5, 6, 10)),
    ("in-sen", (), (0, 1, 5, 7, 10)),
    ("iwato", (), (0, 1, 5, 6, 10)),
    ("kumoijoshi", (), (0, 1, 5, 7, 8)),
    ("kumoi", ("flat three pentatonic",), (0, 2, 3, 7, 9)),
    ("pelog (tempered)", (), (0, 1, 3, 7, 8)),
    ("whole tone", ("messiaen 1",), (0, 2, 4, 6, 8, 10)),
    ("half-whole diminished", ("dominant diminished", "messiaen 2"), (0, 1, 3, 4, 6, 7, 9, 10)),
    ("whole-half diminished", (), (0, 2, 3, 5, 6, 8, 9, 11)),
    ("augmented", ("hexatonic",), (0, 3, 4, 7, 8, 11)),
    ("prometheus", ("mystic",), (0, 2, 4, 6, 9, 10)),
    ("six tone symmetric", (), (0, 1, 4, 5, 8, 9)),
    ("bebop dominant", ("bebop",), (0, 2, 4, 5, 7, 9, 10, 11)),
    ("bebop major", (), (0, 2, 4, 5, 7, 8, 9, 11)),
    ("spanish 8 tone", (), (0, 1, 3, 4, 5, 6, 8, 10)),
    ("chromatic", (), (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11)),
)

# Arabic maqamat of seven notes to the octave, rising, in quarter tones above the tonic:
# name, other names, quarter tones. Source: the usual notation, a half-flat being a quarter
# tone of 50 cents, as in the 24 steps of the Congress of Arab Music (Cairo, 1932); the notes
# are from a list at second hand. Players bend these by region and by phrase.
MAQAMAT: tuple[tuple[str, tuple[str, ...], tuple[int, ...]], ...] = (
    ("ajam", (), (0, 4, 8, 10, 14, 18, 22)),
    ("shawq afza", (), (0, 4, 8, 10, 14, 16, 22)),
    ("bayati", ("bayyati", "bayati (nahawand ending)"), (0, 3, 6, 10, 14, 16, 20)),
    ("bayati (rast ending)", (), (0, 3, 6, 10, 14, 17, 20)),
    ("bayati shuri", (), (0, 3, 6, 10, 12, 18, 20)),
    ("hijaz", ("hijaz (nahawand ending)",), (0, 2, 8, 10, 14, 16, 20)),
    ("hijaz (rast ending)", (), (0, 2, 8, 10, 14, 17, 20)),
    ("hijazkar", ("hijaz kar",), (0, 2, 8, 10, 14, 16, 22)),
    ("zanjaran", (), (0, 2, 8, 10, 14, 18, 20)),
    ("kurd", (), (0, 2, 6, 10, 14, 16, 20)),
    ("nahawand", ("nahawand (hijaz ending)",), (0, 4, 6, 10, 14, 16, 22)),
    ("nahawand (kurd ending)", (), (0, 4, 6, 10, 14, 16, 20)),
    ("nahawand murassa", (), (0, 4, 6, 10, 12, 18, 20)),
    ("rast", (), (0, 4, 7, 10, 14, 18, 21)),
    ("suznak", (), (0, 4, 7, 10, 14, 16, 22)),
    ("nairuz", ("nayruz",), (0, 4, 7, 10, 14, 17, 20)),
    ("saba", (), (0, 3, 6, 8, 14, 16, 20)),
    ("sikah", ("sika",), (0, 3, 7, 11, 14, 17, 21)),
    ("huzam", (), (0, 3, 7, 9, 15, 17, 21)),
    ("iraq", (), (0, 3, 7, 10, 13, 17, 21)),
)

# Names that files of earlier versions may hold: read, but neither shown nor suggested.
OLD_NAMES = {"hindu": "mixolydian flat 6"}

# Names in use for more than one scale: refused, with what they may mean.
AMBIGUOUS: dict[str, tuple[str, ...]] = {
    "diminished": ("half-whole diminished", "whole-half diminished"),
    "octatonic": ("half-whole diminished", "whole-half diminished"),
    "balinese": ("neapolitan minor", "pelog (tempered)"),
    "spanish heptatonic": ("phrygian dominant", "spanish 8 tone"),
    "werckmeister": ("werckmeister 3",),
    "kirnberger": (
        "kirnberger 3",
        "kirnberger 3 (schisma on G#-Eb)",
        "kirnberger 3 (twelfths of a comma)",
    ),
    "young": ("young 2", "young 2 (sixths and twelfths)"),
    "meantone": ("quarter-comma meantone", "sixth-comma meantone"),
    "bohlen-pierce": ("bohlen-pierce equal", "bohlen-pierce just"),
}


def _cents(text: str) -> float:
    ratio = Fraction(text)
    return 1200.0 * math.log2(ratio.numerator / ratio.denominator)


_FIFTH = _cents("3/2")
_PYTHAGOREAN_COMMA = 12.0 * _FIFTH - 8400.0
_SYNTONIC_COMMA = _cents("81/80")
_SCHISMA = _PYTHAGOREAN_COMMA - _SYNTONIC_COMMA
TRITAVE_CENTS = _cents("3/1")
# The chain of fifths, by steps from C: Eb Bb F C G D A E B F# C# G#.
_CHAIN = range(-3, 9)


def _circle(narrowed_cents: dict[int, float]) -> tuple[float, ...]:
    """Return twelve cents above C from how much each fifth is narrowed.

    Args:
        narrowed_cents: by the step at which the fifth starts, from -3 (Eb-Bb)
            to 7 (C#-G#), with C-G as 0; a fifth not named is pure. The fifth
            from G# to Eb takes what is left.
    """
    place = {0: 0.0}
    for step in range(_CHAIN[-1]):
        place[step + 1] = place[step] + _FIFTH - narrowed_cents.get(step, 0.0)
    for step in range(-1, _CHAIN[0] - 1, -1):
        place[step] = place[step + 1] - _FIFTH + narrowed_cents.get(step, 0.0)
    return tuple(place[step] % 1200.0 for step in sorted(_CHAIN, key=lambda s: s * 7 % 12))


def _twelfths(parts: dict[int, float]) -> tuple[float, ...]:
    """As ``_circle``, in twelfths of the Pythagorean comma."""
    return _circle({step: part * _PYTHAGOREAN_COMMA / 12.0 for step, part in parts.items()})


_FOUR_QUARTERS = dict.fromkeys(range(4), _SYNTONIC_COMMA / 4.0)  # C-G-D-A-E

# Name, other names, twelve cents above the root.
TEMPERAMENTS: tuple[tuple[str, tuple[str, ...], tuple[float, ...]], ...] = (
    # Eleven pure fifths, wolf G#-Eb.
    ("pythagorean", (), _circle({})),
    # Fifths of the fourth root of 5, wolf G#-Eb.
    (
        "quarter-comma meantone",
        ("1/4-comma meantone",),
        _circle(dict.fromkeys(_CHAIN[:-1], _SYNTONIC_COMMA / 4.0)),
    ),
    # Fifths narrowed by a sixth of 81/80, wolf G#-Eb.
    (
        "sixth-comma meantone",
        ("1/6-comma meantone",),
        _circle(dict.fromkeys(_CHAIN[:-1], _SYNTONIC_COMMA / 6.0)),
    ),
    # C-G-D-A and B-F# narrowed by a quarter of the Pythagorean comma.
    ("werckmeister 3", ("werckmeister iii",), _twelfths({0: 3, 1: 3, 2: 3, 5: 3})),
    # C-G-D-A-E narrowed by a quarter of the syntonic comma, schisma on F#-C#.
    (
        "kirnberger 3",
        ("kirnberger iii",),
        _circle({**_FOUR_QUARTERS, 6: _SCHISMA}),
    ),
    # The same with the schisma on G#-Eb, as a large published archive has it.
    (
        "kirnberger 3 (schisma on G#-Eb)",
        (),
        _circle(_FOUR_QUARTERS),
    ),
    # C-G 2, G-D 2.5, D-A 3.5, A-E 3, F#-C# 1 twelfths of the Pythagorean comma.
    (
        "kirnberger 3 (twelfths of a comma)",
        ("kirnberger 3 twelfths",),
        _twelfths({0: 2, 1: 2.5, 2: 3.5, 3: 3, 6: 1}),
    ),
    # F-C-G-D-A-E-B narrowed by a sixth of the Pythagorean comma.
    ("vallotti", ("valotti",), _twelfths({-1: 2, 0: 2, 1: 2, 2: 2, 3: 2, 4: 2})),
    # C-G-D-A-E-B-F# narrowed by a sixth of the Pythagorean comma.
    ("young 2", ("young ii", "young from c"), _twelfths({0: 2, 1: 2, 2: 2, 3: 2, 4: 2, 5: 2})),
    # C-G-D-A-E by a sixth; E-B-F#, Bb-F-C by a twelfth: another "number 2".
    (
        "young 2 (sixths and twelfths)",
        (),
        _twelfths({0: 2, 1: 2, 2: 2, 3: 2, 4: 1, 5: 1, -2: 1, -1: 1}),
    ),
    # 9/5 for the minor seventh; 16/9 is as common and has its own name.
    (
        "just 5-limit",
        ("just", "just intonation", "just 5-limit (9/5)"),
        tuple(map(_cents, "1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8".split())),
    ),
    (
        "just 5-limit (16/9)",
        (),
        tuple(map(_cents, "1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 16/9 15/8".split())),
    ),
)

# Just form of the thirteen steps to the tritave (3/1).
BOHLEN_PIERCE_JUST: tuple[float, ...] = tuple(
    map(_cents, "1 27/25 25/21 9/7 7/5 75/49 5/3 9/5 49/25 15/7 7/3 63/25 25/9".split())
)
