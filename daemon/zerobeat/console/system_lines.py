"""The lines of the console below the voices: ports, cables, latency, faults, the disk."""

from __future__ import annotations

import time
from collections.abc import Mapping

from .pedal_lines import foot_lines
from .pending_lines import clock_line
from .text_line import Line, Shown

UNCHANGED = "the rig in force is unchanged"  # as reloading.py and runner.py say it


def percent(share: float) -> str:
    return f"{100.0 * share:.0f}%"


def full_foot(shown: Shown, loads: Mapping[str, float]) -> list[Line]:
    """Return what stands below the voices on a screen of 80 columns."""
    found = [Line(""), *foot_lines(shown, "foot      "), _ports(shown, "ports     ")]
    if shown.get("clock"):
        found.append(clock_line(shown["clock"]))
    cables = []
    for output in shown.get("outputs", []):
        load = loads.get(output["name"])
        used = f"{output['bytes_sent']} bytes" if load is None else percent(load)
        cables.append(f"{output['name']} {used}, thinned {output['thinned']}")
    found.append(Line(f"cable     {'; '.join(cables)}"))
    found += _latency(shown, "latency   ")
    found.append(_faults(shown, "faults    "))
    found += _muted(shown, "muted     ")
    found += _real_time(shown)
    found += _disk(shown, "disk      ")
    found += _reload(shown, "reload    ")
    return found


def short_foot(shown: Shown) -> list[Line]:
    """Return what stands below the voices on a small screen, what matters most first."""
    return [
        *_muted(shown, "muted "),
        *_disk(shown, ""),
        *foot_lines(shown, "foot "),
        _ports(shown, ""),
        _faults(shown, "faults "),
        *_latency(shown, "latency "),
    ]


def _reload(shown: Shown, label: str) -> list[Line]:
    """Return what the last reload came to; the first fault of a refused one."""
    outcome = str(shown.get("reload", "")).removeprefix("reload: ")
    if not outcome:
        return []
    if UNCHANGED in outcome:
        fault = outcome.splitlines()[0].removesuffix(f"; {UNCHANGED}")
        return [Line(f"{label}refused, the old rig plays: {fault}", "bad")]
    return [Line(f"{label}{outcome.splitlines()[0]}", "bad" if " is broken: " in outcome else "")]


def _ports(shown: Shown, label: str) -> Line:
    """Return the ports, those in trouble first, and since when."""
    ports = shown.get("ports", [])
    groups: dict[str, list[str]] = {}
    for port in ports:
        if port["state"] != "connected":
            groups.setdefault(f"{port['state']}{_since(port)}", []).append(port["name"])
    away = [f"{', '.join(names)} {how}" for how, names in groups.items()]
    there = [port["name"] for port in ports if port["state"] == "connected"]
    text = "; ".join(filter(None, ("; ".join(away), there and f"there: {', '.join(there)}")))
    return Line(f"{label}{text or 'none'}", "bad" if away else "")


def _since(port: Shown) -> str:
    at_s = port.get("since_s")
    return f" since {_clock(at_s)}" if at_s else ""


def _clock(at_s: float) -> str:
    """Return a time of day here; a small computer without a clock may be wrong about it."""
    return time.strftime("%H:%M", time.localtime(at_s))


def _latency(shown: Shown, label: str) -> list[Line]:
    found = shown.get("latency")
    if not found:
        return []
    text = f"{found['median_ms']:.2f} ms, 99 in 100 under {found['p99_ms']:.2f}"
    return [Line(f"{label}{text}, most {found['most_ms']:.2f}")]


def _faults(shown: Shown, label: str) -> Line:
    faults = shown.get("faults", 0)
    failing = [port for port in shown.get("ports", []) if port["faults"]]
    failed = sum(port["faults"] for port in failing)
    told = [str(faults)]
    told += [f"not sent {failed} ({failing[-1]['last_fault']})"] if failed else []
    told += [f"malformed {shown['malformed']}"] if shown.get("malformed") else []
    last = shown.get("last_faults")
    told += [f"last {_clock(last[-1]['at_s'])} {last[-1]['text']}"] if last else []
    dropped = [f"{name} {count}" for name, count in shown.get("dropped", {}).items() if count]
    told += [f"dropped: {', '.join(dropped)}"] if dropped else []
    return Line(label + "; ".join(told), "bad" if faults or failed or last else "")


def _muted(shown: Shown, label: str) -> list[Line]:
    """Return the inputs on which what goes out comes back."""
    names = shown.get("muted", ())
    return (
        [Line(f"{label}{', '.join(names)}: a loop; look at cables, thru, local", "bad")]
        if names
        else []
    )


def _real_time(shown: Shown) -> list[Line]:
    """Return what was refused; nothing if all was granted."""
    text = shown.get("real_time", "").removeprefix("real time: ").partition("; ")[0]
    return [Line(f"real time {text}")] if "refused" in text else []


def _disk(shown: Shown, label: str) -> list[Line]:
    """Return why nothing can be stored, else what stored file was passed over; often nothing."""
    store = shown.get("store", {})
    fault = store.get("fault", "")
    if fault:
        file, colon, why = fault.partition(": ")
        return [Line(f"{label}{why if colon else file}", "bad")]
    lines = store.get("passed_over", ())
    more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
    return [Line(f"{label}{lines[0]}{more}", "bad")] if lines else []
