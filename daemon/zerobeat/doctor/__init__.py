"""Checks of ``zerobeat doctor``: what would break a gig, each fault with its remedy."""
