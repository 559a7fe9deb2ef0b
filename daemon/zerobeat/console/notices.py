"""The lines below the voices: what is wrong first, then what is good to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .line import Mark, StatusFields
from .problems import RIG_BROKEN, RIG_UNCHANGED, storing_fault, time_of_day
from .voice_rows import percent

LABEL = 10  # cells


@dataclass(frozen=True, slots=True)
class Notice:
    """What a line below the voices says.

    Args:
        label: what it is about, at the start of the line.
        text: what is said; it is wrapped.
        mark: of the lines.
        rank: where there is little room, those of the highest rank are left out first.
    """

    label: str
    text: str
    mark: Mark = ""
    rank: int = 5


def notices(shown: StatusFields, loads: Mapping[str, float]) -> list[Notice]:
    """Return what stands below the voices, in the order of the screen."""
    found = [*_pedal(shown), _ports(shown)]
    if shown.get("clock"):
        found.append(_clock(shown["clock"]))
    found += _reload(shown)
    fault = storing_fault(shown)
    found += [Notice("disk", fault, "bad", 2)] if fault else []
    found += _muted(shown)
    found.append(_faults(shown))
    found += _real_time(shown)
    found += [*_outputs(shown, loads), *_latency(shown)]
    return found


def _pedal(shown: StatusFields) -> list[Notice]:
    """Return the result of the last pedal action, or why it was refused."""
    message = shown.get("foot")
    if not message:
        return []
    refused = shown.get("foot_refused")
    return [Notice("pedal", message, "bad" if refused else "", 1 if refused else 4)]


def _ports(shown: StatusFields) -> Notice:
    """Return the ports, those in trouble first, and since when."""
    ports = shown.get("ports", [])
    groups: dict[str, list[str]] = {}
    for port in ports:
        if port["state"] != "connected":
            since = f" since {time_of_day(port['since_s'])}" if port.get("since_s") else ""
            groups.setdefault(f"{port['state']}{since}", []).append(port["name"])
    away = [f"{', '.join(names)} {how}" for how, names in groups.items()]
    there = [port["name"] for port in ports if port["state"] == "connected"]
    text = "; ".join([*away, *([f"there: {', '.join(there)}"] if there else [])])
    return Notice("ports", text or "none", "bad" if away else "", 1 if away else 5)


def _clock(clock: StatusFields) -> Notice:
    state = clock["state"]
    keys = ", a key sets off what waits" if clock.get("keys_land") else ""
    if state == "none":
        return Notice("clock", f"no clock from {clock['input']} yet{keys}", "", 5)
    place = f"bar {clock['bar']} beat {clock['beat']}"
    tempo = "" if clock["tempo_bpm"] is None else f", {clock['tempo_bpm']:.1f} bpm"
    unsure = ", position unsure" if clock["unsure"] else ""
    lost = state == "lost"
    text = f"{state}{tempo}, {place}{unsure}{keys}"
    return Notice("clock", text, "bad" if lost else "", 2 if lost else 4)


def short_clock(shown: StatusFields) -> str:
    """Return the clock in a word, or its tempo; "" if there is none."""
    clock = shown.get("clock")
    if not clock or clock["state"] == "none":
        return ""
    if clock["state"] == "running" and clock["tempo_bpm"] is not None:
        return f"{clock['tempo_bpm']:.0f} bpm"
    return "no clock" if clock["state"] == "lost" else f"clock {clock['state']}"


def _reload(shown: StatusFields) -> list[Notice]:
    """Return the result of the last reload; the first fault if it was refused."""
    outcome = str(shown.get("reload", "")).removeprefix("reload: ")
    if not outcome:
        return []
    first = outcome.splitlines()[0]
    if RIG_UNCHANGED in outcome:
        fault = first.removesuffix(f"; {RIG_UNCHANGED}")
        return [Notice("reload", f"refused, the old rig plays: {fault}", "bad", 2)]
    broken = RIG_BROKEN in outcome
    return [Notice("reload", first, "bad" if broken else "", 2 if broken else 6)]


def _muted(shown: StatusFields) -> list[Notice]:
    """Return the inputs that were muted because of a MIDI loop."""
    names = shown.get("muted", ())
    if not names:
        return []
    return [Notice("muted", f"{', '.join(names)}: a loop; look at cables, thru, local", "bad", 1)]


def _faults(shown: StatusFields) -> Notice:
    faults = shown.get("faults", 0)
    failing = [port for port in shown.get("ports", []) if port["faults"]]
    failed = sum(port["faults"] for port in failing)
    parts = [str(faults) if faults else "none"]
    parts += [f"not sent {failed} ({failing[-1]['last_fault']})"] if failed else []
    parts += [f"not understood {shown['malformed']}"] if shown.get("malformed") else []
    last = shown.get("last_faults")
    parts += [f"last {time_of_day(last[-1]['at_s'])} {last[-1]['text']}"] if last else []
    dropped = [f"{name} {count}" for name, count in shown.get("dropped", {}).items() if count]
    parts += [f"not passed on: {', '.join(dropped)}"] if dropped else []
    bad = bool(faults or failed or last)
    return Notice("faults", "; ".join(parts), "bad" if bad else "", 3 if bad else 7)


def _real_time(shown: StatusFields) -> list[Notice]:
    """Return what real-time permission was refused; nothing if all was granted."""
    text = shown.get("real_time", "").removeprefix("real time: ").partition("; ")[0]
    return [Notice("real time", text, "", 6)] if "refused" in text else []


def _outputs(shown: StatusFields, loads: Mapping[str, float]) -> list[Notice]:
    parts = []
    for output in shown.get("outputs", []):
        load = loads.get(output["name"])
        used = f"{output['bytes_sent']} bytes" if load is None else f"{percent(load)} full"
        late = f", {output['late']} late notes left out" if output.get("late") else ""
        parts.append(f"{output['name']}: {used}, {output['thinned']} skipped{late}")
    return [Notice("cables", "; ".join(parts), "", 8)] if parts else []


def _latency(shown: StatusFields) -> list[Notice]:
    found = shown.get("latency")
    if not found:
        return []
    text = f"{found['median_ms']:.2f} ms, 99 in 100 under {found['p99_ms']:.2f}"
    return [Notice("delay", f"{text}, longest {found['most_ms']:.2f}", "", 9)]
