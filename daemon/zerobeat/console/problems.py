"""What is wrong, worst first: which voice or port, and what to do about it."""

from __future__ import annotations

import time
from collections.abc import Iterator

from ..text import counted
from .line import StatusFields

RIG_UNCHANGED = "the rig in force is unchanged"  # as rig_reload.py and runner.py say it
RIG_BROKEN = " is broken: "
ALL_WELL = "all well"


def problems(shown: StatusFields) -> list[str]:
    """Return a line for each thing that is wrong, the worst first."""
    return [
        *_loops(shown),
        *_ports(shown),
        *_rig(shown),
        *_voices(shown),
        *_storing(shown),
        *_clock(shown),
        *_unsent(shown),
        *_faults(shown),
    ]


def how_it_stands(shown: StatusFields) -> tuple[str, bool]:
    """Return the first line of every screen, and whether anything is wrong."""
    found = problems(shown)
    if found:
        more = len(found) - 1
        return found[0] + (f" (and {more} more)" if more else ""), True
    raw = [v["name"] for v in shown.get("voices", ()) if not v["measured"] and not v["bypass"]]
    return ALL_WELL + (f"; not measured yet: {', '.join(raw)}" if raw else ""), False


def time_of_day(at_s: float) -> str:
    """Return a time of day here; a small computer without a clock may be wrong about it."""
    return time.strftime("%H:%M", time.localtime(at_s))


def _loops(shown: StatusFields) -> Iterator[str]:
    names = shown.get("muted", ())
    if names:
        is_muted = "is" if len(names) == 1 else "are"
        text = f"{', '.join(names)} {is_muted} muted, a loop"
        yield f"{text}: look at cables, thru, local control"


def _ports(shown: StatusFields) -> Iterator[str]:
    groups: dict[tuple[str, str], list[StatusFields]] = {}
    for port in shown.get("ports", ()):
        if port["state"] != "connected":
            since = f" since {time_of_day(port['since_s'])}" if port.get("since_s") else ""
            groups.setdefault((port["state"], since), []).append(port)
    for (state, since), ports in groups.items():
        names = ", ".join(port["name"] for port in ports)
        one = len(ports) == 1
        if state == "ambiguous":
            yield f"{names}: more than one port has its name: see zerobeat ports"
        elif state == "forbidden":
            yield f"{names} may not be connected: see zerobeat doctor"
        else:
            does, what = ("is", "it") if one else ("are", "them")
            yield f"{names} {does} {state}{since}: plug {what} in"


def _rig(shown: StatusFields) -> Iterator[str]:
    outcome = str(shown.get("reload", "")).removeprefix("reload: ")
    if RIG_BROKEN in outcome:
        yield "the rig is broken, an older one plays: see zerobeat check"
    elif RIG_UNCHANGED in outcome:
        yield "the changed rig has faults, the old one plays: see zerobeat check"


def _voices(shown: StatusFields) -> Iterator[str]:
    voices = shown.get("voices", ())
    away = {port["name"] for port in shown.get("ports", ()) if port["state"] != "connected"}

    def names(key: str) -> str:
        return ", ".join(voice["name"] for voice in voices if voice[key])

    lost = [v["name"] for v in voices if not v["output_there"] and v.get("output") not in away]
    if lost:
        yield f"{', '.join(lost)}: the converter does not answer: look at its cable"
    for key, text in (
        ("out_of_reach", "key out of reach: play another octave"),
        ("wheel_clamped", "the bend is used up: less wheel, or a wider bend range"),
    ):
        if names(key):
            yield f"{names(key)}: {text}"
    for voice in voices:
        if voice["unusable"]:
            why = f"can't be corrected here ({voice['unusable']})"
            yield f"{voice['name']} {why}: measure it again, or play elsewhere"
    for key, text in (
        ("move_waits", "the new pitch is out of the bend's reach: strike again"),
        ("stale", "measured with its panel set elsewhere: measure it again"),
        ("extrapolated", "beyond what was measured: measure farther out"),
    ):
        if names(key):
            yield f"{names(key)}: {text}"


def storing_fault(shown: StatusFields) -> str:
    """Return why nothing can be stored, else which stored file could not be used; "" if all is."""
    store = shown.get("store", {})
    fault = str(store.get("fault", ""))
    if fault:
        file, colon, why = fault.partition(": ")
        return why if colon else file
    if store.get("slow"):
        return str(store["slow"])
    lines = store.get("passed_over", ())
    more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
    return f"{lines[0]}{more}" if lines else ""


def _storing(shown: StatusFields) -> Iterator[str]:
    fault = storing_fault(shown)
    if fault:
        yield fault


def _clock(shown: StatusFields) -> Iterator[str]:
    clock = shown.get("clock")
    if clock and clock["state"] == "lost":
        yield f"the clock from {clock['input']} is lost: start it again"


def _unsent(shown: StatusFields) -> Iterator[str]:
    for port in shown.get("ports", ()):
        if port["faults"]:
            count = counted(port["faults"], "message")
            yield f"{port['name']}: {count} not sent ({port['last_fault']})"


def _faults(shown: StatusFields) -> Iterator[str]:
    count = shown.get("faults", 0) or len(shown.get("last_faults", ()))
    if count:
        yield f"{counted(count, 'fault')} inside, the notes go on: see zerobeat doctor"
