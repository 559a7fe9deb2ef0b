"""How well a curve is known between readings that no check note has proved.

The model takes what it was not told to be smooth, so that many readings elsewhere
make it sure of an octave that was never read. A random walk between the readings is
added, pinned at each: nothing at a reading, most half-way between two far apart.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .model import Floats, Model, ModelTerms, Points

# One sigma of the walk after an octave. Own choice: with it, of the published readings of two
# oscillators (an octave apart), each that is left out lies within three sigma.
WALK_CENTS_PER_ROOT_OCTAVE = 1.0


def unread_cents(cents: ArrayLike, read_cents: ArrayLike) -> Floats:
    """Return one sigma of the walk at pitches.

    Args:
        cents: commanded, shape (n,).
        read_cents: pitches of the readings, one or more.
    """
    at, read = np.asarray(cents, float), np.unique(np.asarray(read_cents, float))
    after = np.searchsorted(read, at)
    below = np.where(after > 0, at - read[np.maximum(after - 1, 0)], np.inf)
    above = np.where(after < len(read), read[np.minimum(after, len(read) - 1)] - at, np.inf)
    nearer, farther = np.minimum(below, above), np.maximum(below, above)
    # A walk pinned at both ends; beyond the outermost reading it is free.
    octaves = nearer / (1.0 + np.where(np.isinf(farther), 0.0, nearer / farther)) / 1200.0
    return WALK_CENTS_PER_ROOT_OCTAVE * np.sqrt(octaves)


def known_cents(terms: ModelTerms, points: Points, cents: ArrayLike) -> Floats:
    """Return two sigma of the curve through readings at pitches, without check notes."""
    sigma = Model(terms, points).predict(cents)[1]
    return 2.0 * np.hypot(sigma, unread_cents(cents, points.cents))
