"""The files that an earlier version wrote, and what this version reads in them, as lines of text.

A line is ``path = value``, such as ``voices.reed.channel = 0``: it stands on the names of
fields, so a field that is renamed is entered into ``RENAMED``, under the name it had in 0.1.0.

All that this needs of the program is imported here, and nowhere else in its tests.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import mido

from zerobeat.config.converter_file import load_converter
from zerobeat.config.pedalboard_file import load_pedalboard
from zerobeat.config.profile_file import load_profile
from zerobeat.config.rig import LoadedRig
from zerobeat.config.scene_file import load_scene
from zerobeat.engine.settings import PLAIN, VoiceSettings
from zerobeat.errors import StoreError
from zerobeat.state.bindings_file import read_learned
from zerobeat.state.last_good import load_last_good
from zerobeat.state.sealed import examine
from zerobeat.state.session import load_session
from zerobeat.state.state_directory import load_rig, own_store
from zerobeat.state.store import Store
from zerobeat.tuning.scala import KeyboardMap, parse_kbm, parse_scl
from zerobeat.tuning.scale import Scale, preset
from zerobeat.tuning.tracking import TrackingCurve

ZEROBEAT = (sys.executable, "-m", "zerobeat")
RENAMED: dict[str, str] = {}  # name of a field now -> its name in 0.1.0

FOLDER = Path(__file__).resolve().parents[1] / "data" / "0.1.0"
GOLDEN = FOLDER / "summary.txt"
PITCHES_CENTS = range(1200, 10900, 600)  # where a curve is asked
Lines = list[str]


# ---------------------------------------------------------------- reading


def rig_lines(rig: Path) -> Lines:
    """Return what a rig and all the files it names say; stored ones are those of the
    environment's state directory."""
    return _of_rig(load_rig(rig))


def last_good_lines() -> Lines:
    """Return what the last good rig of the environment's state directory says."""
    loaded = load_last_good(own_store())
    assert loaded is not None, "no last good rig is kept"
    return _of_rig(loaded)


def _of_rig(loaded: LoadedRig) -> Lines:
    rig = loaded.rig
    named = {
        "inputs": {one.name: one for one in rig.inputs},
        "outputs": {one.name: one for one in rig.outputs},
        "voices": {one.name: one for one in rig.voices},
        "pedalboards": rig.pedalboards,
        "order": [scene.name for scene in loaded.scenes],
        "scenes": {scene.name: scene for scene in loaded.scenes},
        "profiles": {name: replace(one, knots=()) for name, one in loaded.profiles.items()},
        "volts": {name: one.volts for name, one in loaded.converters.items()},
        "audio_inputs": loaded.audio_inputs,
        "listening": loaded.listening,
        "scene_files": loaded.scene_files,
        "profile_files": loaded.profile_files,
        "warnings": len(loaded.warnings),
    }
    plain = {name: value for name, value in _values(rig).items() if name not in named}
    return [*_flat("", plain), *_flat("", named)]


def usual_lines() -> Lines:
    """Return how a voice plays where a scene says nothing; other lines leave out what is so."""
    return list(_flat("", _values(PLAIN)))


def file_lines(path: Path) -> Lines:
    """Return what one file says on its own, by its folder: a scene, a profile, a scale ..."""
    folder = path.parent.name
    if path.suffix == ".scl":
        return list(_flat("scale", parse_scl(path.read_bytes(), path.name)))
    if path.suffix == ".kbm":
        return list(_flat("", parse_kbm(path.read_bytes(), path.name, preset("12 equal"))))
    if folder in ("scenes", "friday"):
        return list(_flat("", load_scene(path)))
    if folder in ("profiles", "oscillators"):
        profile = load_profile(path)
        return [*_flat("", profile), *_flat("curve", profile.curve())]
    if folder == "pedalboards":
        return list(_flat("", load_pedalboard(path)))
    assert folder == "converters", path
    return list(_flat("", load_converter(path)))


def session_lines(state: Path, rig: Path) -> Lines:
    """Return what a start comes back to."""
    session, said = load_session(Store(state), load_rig(rig).rig)
    return [*_flat("", session), f"said = {len(said)}"]


def bindings_lines(state: Path) -> Lines:
    """Return what was learned."""
    newest = Store(state).load_bindings()
    assert newest is not None, "no bindings are stored"
    learned, said = read_learned(newest.content, newest.path)
    return [*_flat("", {"learned": learned}), f"said = {len([*newest.warnings, *said])}"]


def generation_lines(state: Path) -> Lines:
    """Return the state of every stored file: its own checksum says whether it is whole."""
    files = sorted([*state.glob("*/*.yaml"), *state.glob("*.yaml"), *state.glob("*.json")])
    return [f"{path.relative_to(state)} = {examine(path).state}" for path in files]


def taken(state: Path, folder: str, name: str) -> tuple[str, tuple[str, ...]]:
    """Return the name of the generation that a load takes, and what is said of it."""
    newest = Store(state).load(folder, name)
    return newest.path.name, newest.warnings


def nothing_left(state: Path, folder: str, name: str) -> str:
    """Return why nothing of that name can be loaded; "" if something can."""
    try:
        Store(state).load(folder, name)
    except StoreError as error:
        return str(error)
    return ""


# ---------------------------------------------------------------- running


def zerobeat(*arguments: str | Path, state: Path) -> str:
    """Run a command that succeeds, with a state directory; return what it says."""
    done = subprocess.run(
        [*ZEROBEAT, *map(str, arguments)],
        env=dict(os.environ) | {"STATE_DIRECTORY": str(state)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def sent_lines(rig: Path, scene: str | None, state: Path, target: Path) -> Lines:
    """Return the bytes that each channel gets for ``keys.mid``: a line a channel, in order."""
    chosen = () if scene is None else ("--scene", scene)
    zerobeat("render", "--rig", rig, *chosen, FOLDER / "keys.mid", target, state=state)
    sent: dict[str, list[str]] = {}
    for track in mido.MidiFile(target).tracks:
        for message in track:
            if not message.is_meta and hasattr(message, "channel"):
                place = f"{track.name} {message.channel + 1}"
                sent.setdefault(place, []).append(bytes(message.bytes()).hex())
    return [f"{place} = {' '.join(messages)}" for place, messages in sorted(sent.items())]


# ---------------------------------------------------------------- values as lines


def _flat(path: str, value: Any) -> Iterator[str]:
    if isinstance(value, TrackingCurve):
        sent = [value.commanded(float(cents)) for cents in PITCHES_CENTS]
        yield from _flat(path, {"sent": sent, "unusable": value.unusable})
    elif isinstance(value, Scale):
        yield f"{path} = {_text((value.name, *value.degrees_cents, value.period_cents))}"
    elif isinstance(value, KeyboardMap):
        yield from _flat(path, {"name": value.name, "every_fifth": value.pitches_cents[::5]})
    elif isinstance(value, VoiceSettings):
        usual = _values(PLAIN)
        own = {name: one for name, one in _values(value).items() if one != usual.get(name)}
        yield from _flat(path, own or "all as usual")
    elif is_dataclass(value):
        yield from _flat(path, _values(value))
    elif isinstance(value, Mapping):
        if not value:
            yield f"{path} = none"
        for key, inner in value.items():
            yield from _flat(f"{path}.{key}" if path else str(key), inner)
    elif isinstance(value, frozenset):
        yield from _flat(path, sorted(value))
    elif isinstance(value, list | tuple):
        yield from _list(path, value)
    else:
        yield f"{path} = {_text(value)}"


def _list(path: str, items: Iterable[Any]) -> Iterator[str]:
    """A list of dataclasses is a column a field, so that a new field changes no other line."""
    items = list(items)
    if items and all(is_dataclass(item) for item in items):
        rows = [list(_flat("", item)) for item in items]
        cells = [dict(line.split(" = ", 1) for line in row) for row in rows]
        for key in dict.fromkeys(key for row in cells for key in row):
            yield f"{path}[{len(items)}].{key} = {' | '.join(row.get(key, '') for row in cells)}"
    else:
        yield f"{path}[{len(items)}] = {' '.join(_text(item) for item in items)}"


def _values(value: Any) -> dict[str, Any]:
    shown = [field.name for field in fields(value) if not field.name.startswith("_")]
    return {RENAMED.get(name, name): getattr(value, name) for name in shown}


def _text(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return str(value).lower()
    if isinstance(value, float):
        return f"{round(value, 4 if abs(value) >= 1.0 else 6) + 0.0:.14g}"
    if isinstance(value, tuple):
        return "(" + " ".join(_text(item) for item in value) + ")"
    return repr(value) if isinstance(value, str) else str(value)


# ---------------------------------------------------------------- the summary


def read_summary() -> dict[str, Lines]:
    """Return the lines of each section of the golden summary."""
    sections: dict[str, Lines] = {}
    name = ""
    for line in GOLDEN.read_text(encoding="utf-8").splitlines() if GOLDEN.exists() else ():
        if line.startswith("== "):
            name = line[3:]
            sections[name] = []
        elif line:
            sections[name].append(line)
    return sections


def write_section(name: str, lines: Lines) -> None:
    """Put a section in its place."""
    sections = read_summary() | {name: lines}
    texts = ["\n".join((f"== {key}", *sections[key], "")) for key in sorted(sections)]
    GOLDEN.write_text("\n".join(texts), encoding="utf-8")
