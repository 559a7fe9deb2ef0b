"""What follow keeps: what it believes, with its age, and a log of the night's drift.

Both stand in a folder of follow's own: under systemd ``/var/lib/zerobeat-follow``, else
``zerobeat-follow`` in the XDG state home. What it believes is written once a minute and at a
stop, by a new file in place of the old one; a damaged file counts as none.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SERVICE_FOLLOW = Path("/var/lib/zerobeat-follow")
BELIEFS = "follow.json"
LOG = "drift.jsonl"
KEEP_EVERY_S = 60.0
LONGEST_LOG = 4_000_000  # bytes; then the older half goes
NIGHT_GAP_S = 1800.0  # without a line: another night
KNOB_LASTS_S = 12 * 3600.0
SETTLED_PER_MIN = 0.2


def follow_folder() -> Path:
    """Return where follow keeps what it writes."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given and Path(given).name.startswith("zerobeat-follow"):
        return Path(given)
    home = os.environ.get("XDG_STATE_HOME", "")
    base = Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state"
    return base / "zerobeat-follow"


def folders_read() -> list[Path]:
    """Return where drift logs may be: the player's own, then the service's."""
    return [follow_folder(), SERVICE_FOLLOW]


@dataclass(frozen=True, slots=True)
class KeptKnob:
    """A knob that a hand had turned.

    Attributes:
        touched_at_s: Unix time of the last touch-up by hand before it; after another it is void.
        here_cents: in tune where it stands.
        knob_cents: turned, and neither kept nor taken out; None: none.
    """

    touched_at_s: float
    here_cents: float
    knob_cents: float | None


class KeptDrift:
    """Beliefs and log of one rig.

    Args:
        folder: where they are.
        rig: the rig's file; beliefs of another rig count as none.
    """

    def __init__(self, folder: Path, rig: str) -> None:
        self._folder = folder
        self._rig = rig
        self._kept_s = -math.inf
        self.fault = ""

    def knobs(self, now_unix_s: float) -> dict[str, KeptKnob]:
        """Return the knobs that a hand had turned since the last touch-up, for a night."""
        found = {}
        for name, one in self._voices().items():
            with contextlib.suppress(ValueError, KeyError, TypeError):
                turned = one.get("knob_cents")
                knob = KeptKnob(
                    float(one["touched_at_s"]),
                    float(one["here_cents"]),
                    None if turned is None else float(turned),
                )
                values = (knob.touched_at_s, knob.here_cents, knob.knob_cents or 0.0)
                age_s = now_unix_s - float(one["read_at_s"])
                if all(map(math.isfinite, values)) and 0.0 <= age_s < KNOB_LASTS_S:
                    found[name] = knob
        return found

    def _voices(self) -> dict[str, dict[str, Any]]:
        """Return what was kept of each voice of this rig; nothing of a damaged file."""
        try:
            found = json.loads((self._folder / BELIEFS).read_bytes())
            if found["format"] != 1 or found["rig"] != self._rig:
                return {}
            return {
                str(name): one for name, one in found["voices"].items() if isinstance(one, dict)
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}

    def beliefs(self, now_unix_s: float) -> dict[str, tuple[float, float, float]]:
        """Return offset, stretch and age in seconds of each voice's drift."""
        beliefs = {}
        for name, one in self._voices().items():
            with contextlib.suppress(ValueError, KeyError, TypeError):
                values = (float(one["offset_cents"]), float(one["stretch_cents"]))
                age_s = now_unix_s - float(one["read_at_s"])
                if all(map(math.isfinite, (*values, age_s))) and age_s >= 0.0:
                    beliefs[name] = (*values, age_s)
        return beliefs

    def keep_if_due(
        self, report: dict[str, dict[str, Any]], now_s: float, since_power_on_s: float
    ) -> None:
        """Keep what is believed, once a minute."""
        if now_s - self._kept_s >= KEEP_EVERY_S:
            self.keep(report, now_s, since_power_on_s)

    def keep(
        self, report: dict[str, dict[str, Any]], now_s: float, since_power_on_s: float
    ) -> None:
        """Keep what is believed and add a line to the log; a disk that refuses is a state."""
        self._kept_s = now_s
        unix_s = time.time()
        read = {name: one for name, one in report.items() if one["age_s"] is not None}
        if not read:
            return
        voices = {
            name: {
                "offset_cents": one["drift_cents"],
                "stretch_cents": one["stretch_cents"],
                "read_at_s": round(unix_s - one["age_s"], 1),
                "touched_at_s": one["touched_at_s"],
                "here_cents": one["here_cents"],
                "knob_cents": one["knob_cents"],
            }
            for name, one in read.items()
        }
        line = {
            "at_s": round(unix_s),
            "since_power_on_s": round(since_power_on_s),
            "rig": self._rig,
            "voices": {
                name: [one["drift_cents"], one["rate_cents_per_min"], one["sigma_cents"]]
                for name, one in read.items()
                if one["age_s"] < 2.0 * KEEP_EVERY_S
            },
        }
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            fresh = self._folder / f"{BELIEFS}.new"
            with fresh.open("w") as file:
                json.dump({"format": 1, "rig": self._rig, "voices": voices}, file)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self._folder / BELIEFS)
            if line["voices"]:
                self._log(json.dumps(line))
            self.fault = ""
        except OSError as error:
            self.fault = f"{self._folder}: can't be written: {error.strerror}"

    def _log(self, line: str) -> None:
        path = self._folder / LOG
        with contextlib.suppress(FileNotFoundError):
            if path.stat().st_size > LONGEST_LOG:
                lines = path.read_text(errors="replace").splitlines(keepends=True)
                path.write_text("".join(lines[len(lines) // 2 :]))
        with path.open("a") as file:
            file.write(line + "\n")


@dataclass(frozen=True, slots=True)
class Night:
    """The drift of one night.

    Attributes:
        began_s: Unix time of the first line.
        minutes: since power-on, of each line, rising.
        cents: by voice, (minute, drift, cents a minute).
    """

    began_s: float
    minutes: tuple[float, ...]
    cents: dict[str, tuple[tuple[float, float, float], ...]]

    def settled_minutes(self, voice: str) -> float | None:
        """Return the minute after power-on from which a voice drifted slowly; None: never."""
        points = self.cents.get(voice, ())
        found = None
        for minute, _, rate in points:
            if abs(rate) > SETTLED_PER_MIN:
                found = None
            elif found is None:
                found = minute
        return found if len(points) >= 5 else None


def nights_of(rig: str, folders: list[Path] | None = None) -> list[Night]:
    """Return the nights in the drift logs of a rig, oldest first; damaged lines are skipped."""
    lines: list[dict[str, Any]] = []
    for folder in folders_read() if folders is None else folders:
        try:
            text = (folder / LOG).read_text(errors="replace")
        except OSError:
            continue
        for line in text.splitlines():
            with contextlib.suppress(ValueError, KeyError, TypeError):
                found = json.loads(line)
                if found["rig"] == rig:
                    float(found["at_s"]), float(found["since_power_on_s"])
                    found["voices"].items()
                    lines.append(found)
    lines.sort(key=lambda one: float(one["at_s"]))
    nights: list[list[dict[str, Any]]] = []
    for one in lines:
        last = nights[-1][-1] if nights else None
        if (
            last is None
            or one["at_s"] - last["at_s"] > NIGHT_GAP_S
            or one["since_power_on_s"] < last["since_power_on_s"]
        ):
            nights.append([])
        nights[-1].append(one)
    return [_night(night) for night in nights]


def _night(lines: list[dict[str, Any]]) -> Night:
    cents: dict[str, list[tuple[float, float, float]]] = {}
    for line in lines:
        minute = line["since_power_on_s"] / 60.0
        for name, values in line["voices"].items():
            with contextlib.suppress(ValueError, TypeError, IndexError):
                cents.setdefault(name, []).append((minute, float(values[0]), float(values[1])))
    minutes = tuple(line["since_power_on_s"] / 60.0 for line in lines)
    return Night(
        float(lines[0]["at_s"]), minutes, {name: tuple(points) for name, points in cents.items()}
    )


def usual_settling(nights: list[Night], voice: str) -> float | None:
    """Return the minute after power-on from which a voice was steady in earlier nights."""
    found = sorted(m for night in nights if (m := night.settled_minutes(voice)) is not None)
    return found[len(found) // 2] if found else None
