"""What ``status`` says of the daemon, besides engine and wire."""

from __future__ import annotations

from typing import TypedDict

from ..json_value import JsonObject
from .persistence import DiskStatus


class PortStatus(TypedDict):
    """One port: the device, whether it is there, since when, and its faults."""

    name: str
    direction: str
    state: str
    since_s: float
    port: str
    faults: int
    last_fault: str


class Facts(TypedDict):
    """The rest of a picture."""

    rig: str
    state_directory: str
    ports: list[PortStatus]
    malformed: int
    muted: list[str]
    real_time: str
    clock_steps: int
    foot_presses: int
    asked_by_foot: dict[str, int]
    reload: str
    follow: dict[str, object]
    store: DiskStatus
    latency: dict[str, float] | None
    last_faults: list[dict[str, object]]
    stage_faults: dict[str, int]
    log_lines_lost: int
    needle: JsonObject | None  # how far the knob is off that a player turns
