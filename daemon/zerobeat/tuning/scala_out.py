"""Writers of ``.scl`` and ``.kbm`` files: the pitches of 128 keys as both, to be read again."""

from __future__ import annotations

from collections.abc import Sequence

from .units import OCTAVE_CENTS, pitch_to_hertz

REPEATS_WITHIN_CENTS = 1e-6  # closer than this is the same pitch
MIDDLE = 60  # the key
CONCERT_A = 69


def scala_files(name: str, pitches_cents: Sequence[float | None]) -> tuple[str, str]:
    """Return the text of a ``.scl`` and of a ``.kbm`` file.

    Twelve notes where all octaves are alike, else one for each key. Cents have six decimals.

    Args:
        name: stands in both as their description; one line.
        pitches_cents: 128 pitches in cents above key 0; None is silent.

    Raises:
        ValueError: no key has a pitch.
    """
    mapped = [key for key, pitch in enumerate(pitches_cents) if pitch is not None]
    if not mapped:
        raise ValueError("no key has a pitch")
    octave = _octave(pitches_cents)
    reference = CONCERT_A if pitches_cents[CONCERT_A] is not None else mapped[0]
    if octave is not None:
        degrees: list[float] = [*octave[1:], OCTAVE_CENTS]
        entries = [str(step) for step in range(12)]
        middle, formal = MIDDLE, 12
    else:
        first = pitches_cents[mapped[0]] or 0.0
        degrees = [(pitches_cents[key] or 0.0) - first for key in mapped[1:]] + [OCTAVE_CENTS]
        places = {key: place for place, key in enumerate(mapped)}
        entries = [str(places[key]) if key in places else "x" for key in range(128)]
        middle, formal = 0, len(degrees)
    hertz = pitch_to_hertz(pitches_cents[reference] or 0.0)
    scl = [f"! {name}.scl", "!", name, f" {len(degrees)}", "!"]
    scl += [f" {cents:.6f}" for cents in degrees]
    header = (len(entries), 0, 127, middle, reference, f"{hertz:.9f}", formal)
    kbm = [f"! {name}.kbm", *map(str, header), *entries]
    return "\n".join(scl) + "\n", "\n".join(kbm) + "\n"


def _octave(pitches_cents: Sequence[float | None]) -> list[float] | None:
    """Return twelve cents above the middle key if every octave repeats them; else None."""
    base = pitches_cents[MIDDLE]
    if base is None:
        return None
    for key, pitch in enumerate(pitches_cents):
        octaves, step = divmod(key - MIDDLE, 12)
        same = pitches_cents[MIDDLE + step]
        if pitch is None or same is None:
            return None
        if abs(pitch - same - OCTAVE_CENTS * octaves) > REPEATS_WITHIN_CENTS:
            return None
    return [(pitches_cents[MIDDLE + step] or 0.0) - base for step in range(12)]
