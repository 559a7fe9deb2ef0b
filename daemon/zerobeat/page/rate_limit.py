"""How often an address may ask: a bucket of tokens for each, a bounded number of buckets."""

from __future__ import annotations

from collections import OrderedDict

MOST_BUCKETS = 256


def address_key(address: str) -> str:
    """Return what counts as one address: of IPv6 the network of a household, 64 bits.

    >>> address_key("fd00::1:2")
    'fd00:0:0:0'
    """
    if ":" not in address:
        return address
    import ipaddress

    try:
        parts = ipaddress.IPv6Address(address.partition("%")[0]).exploded.split(":")
    except ValueError:
        return address
    return ":".join(f"{int(part, 16):x}" for part in parts[:4])


class RateLimit:
    """Allows ``rate_hz`` a second and ``burst`` at once, for each address.

    Beyond ``MOST_BUCKETS`` addresses, the one that has been quiet for longest is forgotten.
    """

    def __init__(self, rate_hz: float, burst: float) -> None:
        self._rate_hz = rate_hz
        self._burst = burst
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, address: str, now_s: float) -> bool:
        """Take a token; False if there is none."""
        tokens = self._tokens(address, now_s)
        allowed = tokens >= 1.0
        self._buckets[address] = (tokens - 1.0 if allowed else tokens, now_s)
        self._buckets.move_to_end(address)
        while len(self._buckets) > MOST_BUCKETS:
            self._buckets.popitem(last=False)
        return allowed

    def is_empty(self, address: str, now_s: float) -> bool:
        """Return whether an address has used all its tokens, without taking one."""
        return self._tokens(address, now_s) < 1.0

    def _tokens(self, address: str, now_s: float) -> float:
        tokens, at_s = self._buckets.get(address, (self._burst, now_s))
        return min(self._burst, tokens + (now_s - at_s) * self._rate_hz)
