"""The rig's key ``follow``: whether voices are kept in tune while they are played, and how far.

follow: {enabled: true, limit_cents: 15, warming_limit_cents: 50, warm_minutes: 30}
voices:
  reed: {converter: quad, channel_number: 1, input: left, follow: false}
"""

from __future__ import annotations

from dataclasses import dataclass

from .fields import Section


@dataclass(frozen=True, slots=True)
class FollowSettings:
    """What the rig says of follow.

    Args:
        enabled: the service is started with zerobeat's own.
        limit_cents: so far from what a hand has set it goes at most, once the case is warm.
        warming_limit_cents: before that.
        warm_minutes: from power-on until the case counts as warm; an assumption.
    """

    enabled: bool = False
    limit_cents: float = 15.0
    warming_limit_cents: float = 50.0
    warm_minutes: float = 30.0


def read_follow(section: Section) -> FollowSettings:
    """Return what a rig says of follow."""
    inner = section.section("follow")
    if inner is None:
        return FollowSettings()
    plain = FollowSettings()
    found = FollowSettings(
        enabled=inner.flag("enabled", plain.enabled),
        limit_cents=inner.number("limit_cents", plain.limit_cents, 1.0, 50.0),
        warming_limit_cents=inner.number(
            "warming_limit_cents", plain.warming_limit_cents, 1.0, 100.0
        ),
        warm_minutes=inner.number("warm_minutes", plain.warm_minutes, 0.0, 240.0),
    )
    if found.warming_limit_cents < found.limit_cents:
        key = "warming_limit_cents" if inner.has("warming_limit_cents") else "limit_cents"
        allowed = f"limit_cents ({found.limit_cents:g}) or more"
        inner.faults.add(
            inner.at(key), f"found {found.warming_limit_cents:g} while warming; allowed: {allowed}"
        )
    inner.close()
    return found
