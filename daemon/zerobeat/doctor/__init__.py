"""Looks for what would break a gig, each fault with its remedy."""
