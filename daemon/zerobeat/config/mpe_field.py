"""What the rig says of an MPE keyboard: ``mpe`` of an input and the keys that go with it."""

from __future__ import annotations

from ..engine.mpe_zones import (
    CHANNEL_PRESSURE,
    MANAGER_CENTS,
    MEMBER_CENTS,
    MOST_MEMBERS,
    MOST_SEMITONES,
    TARGET_CONTROLLERS,
    MpeSettings,
)
from .fields import Section, found
from .yaml_source import Scalar

ZONES = ("lower", "upper", "both", "from_the_keyboard")
NOTHING = ("nothing", "none")
_USUAL_MEMBERS = {"lower": (15, 0), "upper": (0, 15), "both": (7, 7), "from_the_keyboard": (0, 0)}
_WITH_MPE = (
    "lower_members",
    "upper_members",
    "member_semitones",
    "manager_semitones",
    "touch",
    "pressure_to",
    "slide_to",
)


def read_mpe(section: Section) -> MpeSettings | None:
    """Return what an input says of its zones and fingers; None for a plain keyboard."""
    zones = section.choice("mpe", None, ZONES)
    if zones is None:
        _refuse_without(section)
        return None
    if section.has("channel_number"):
        text = "found it with mpe, where each finger has a channel; allowed: without mpe"
        section.faults.add(section.at("channel_number"), text)
    lower, upper = _members(section, zones)
    mpe = MpeSettings(
        lower_members=lower,
        upper_members=upper,
        member_cents=100.0
        * section.number("member_semitones", MEMBER_CENTS / 100.0, 0.0, MOST_SEMITONES),
        manager_cents=100.0
        * section.number("manager_semitones", MANAGER_CENTS / 100.0, 0.0, MOST_SEMITONES),
        touch=section.choice("touch", "as_played", ("as_played", "centred")),
        pressure_to=_target(section, "pressure_to"),
        slide_to=_target(section, "slide_to"),
    )
    if mpe.pressure_to is not None and mpe.pressure_to == mpe.slide_to:
        text = "found the target of pressure_to; allowed: another one for each"
        section.faults.add(section.at("slide_to"), text)
    return mpe


def check_plays(section: Section, mpe: MpeSettings | None, plays: bool) -> None:
    """Add a fault for fingers of an input that plays no notes."""
    if mpe is not None and not plays:
        text = "found it for an input that plays no notes; allowed: for one that does"
        section.faults.add(section.at("mpe"), text)


def _refuse_without(section: Section) -> None:
    section.asked += _WITH_MPE
    if section.has("mpe"):
        return  # its own fault is reported already
    for key in _WITH_MPE:
        if section.has(key):
            section.faults.add(section.at(key), "found it without mpe; allowed: with mpe")


def _members(section: Section, zones: str) -> tuple[int, int]:
    """Return the members of the lower and the upper zone."""
    usual = _USUAL_MEMBERS[zones]
    section.asked += ("lower_members", "upper_members")
    counts = []
    for key, count in zip(("lower_members", "upper_members"), usual, strict=True):
        if not count and section.has(key):
            text = f"found it with mpe: {zones}; allowed: with a zone of its own"
            section.faults.add(section.at(key), text)
        most = MOST_MEMBERS if zones != "both" else 13
        counts.append(section.whole(key, count, 1, most) if count else 0)
    if zones == "both" and sum(counts) > 14:
        text = f"found {counts[0]} and {counts[1]}; allowed: 14 members in both zones together"
        section.faults.add(section.at("upper_members"), text)
    return counts[0], counts[1]


def _target(section: Section, key: str) -> int | None:
    """Return the target of a finger's pressure or slide: a controller, CHANNEL_PRESSURE or None."""
    node = section.node(key)
    if node is None or (isinstance(node, Scalar) and node.text in NOTHING):
        return None
    if isinstance(node, Scalar) and node.text == "channel_pressure":
        return CHANNEL_PRESSURE
    if isinstance(node, Scalar) and node.plain and node.text.isdecimal() and node.text.isascii():
        number = int(node.text[:4])
        if str(number) == node.text and number in TARGET_CONTROLLERS:
            return number
    allowed = (
        "channel_pressure, nothing, or a controller's number, 1 to 119, that is no bank, pedal "
        "64 or part of a parameter (6, 32, 38, 96 to 101)"
    )
    section.faults.add(node.place, f"found {found(node)}; allowed: {allowed}")
    return None
