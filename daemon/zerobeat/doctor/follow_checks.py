"""Checks of follow: does it run where the rig wants it, and can it follow the voices."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..client.daemon_client import Client
from ..errors import CommandError, ControlError
from .check_result import CheckResult, ok

FOLLOW_UNIT = Path("/etc/systemd/system/zerobeat-follow.path")


def follow() -> Iterator[CheckResult]:
    """Check follow where a daemon plays whose rig enables it, or where it runs."""
    try:
        with Client(role="view") as client:
            shown = client.status().get("follow", {})
    except (ControlError, CommandError):
        return
    if not isinstance(shown, dict) or not (shown.get("enabled") or shown.get("runs")):
        return
    if not shown.get("runs"):
        remedy = (
            "systemctl status zerobeat-follow; journalctl -u zerobeat-follow -n 20"
            if FOLLOW_UNIT.exists()
            else "zerobeat follow"
        )
        text = "the rig wants the voices followed, and nothing listens"
        yield CheckResult("warning", "follow", text, remedy)
        return
    if "all" in shown.get("off", ()):
        yield CheckResult("note", "follow", "it is off, as it was left", "zerobeat follow --on")
        return
    voices = {n: one for n, one in shown.get("voices", {}).items() if n not in shown["off"]}
    unfit = {name: one["why"] for name, one in voices.items() if not one.get("followable", True)}
    for name, why in unfit.items():
        yield CheckResult("note", "follow", f"{name}: {why}", "docs/following.md says what helps")
    if not unfit:
        yield ok("follow", f"{len(voices)} voice{'s' if len(voices) != 1 else ''} followed")
