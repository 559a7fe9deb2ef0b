"""Each shipped file loads, here and from what pip installs."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import zerobeat
from zerobeat.config.converter_file import load_converter
from zerobeat.config.file_lookup import SHIPPED
from zerobeat.config.pedalboard_file import load_pedalboard
from zerobeat.config.profile_file import load_profile
from zerobeat.config.scene_file import load_scene
from zerobeat.state.state_directory import load_rig
from zerobeat.tuning.scala import read_kbm, read_scl

ROOT = Path(__file__).resolve().parent.parent
PROFILES = ROOT / "profiles"
KINDS = ("rigs", "converters", "oscillators", "pedalboards", "scales", "scenes")
FILES = sorted(path for path in PROFILES.rglob("*") if path.is_file())
assert FILES, "no shipped files found"


@pytest.fixture(autouse=True)
def _state(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))


def load(path: Path):
    if path.suffix == ".scl":
        return read_scl(path)
    if path.suffix == ".kbm":
        return read_kbm(path, read_scl(path.with_name("pure-major.scl")))
    loaders = {
        "rigs": load_rig,
        "converters": load_converter,
        "oscillators": load_profile,
        "pedalboards": load_pedalboard,
        "scenes": load_scene,
    }
    return loaders[path.parent.name](path)


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_each_shipped_file_loads(path):
    assert load(path) is not None


def test_every_kind_is_shipped_and_reached_through_the_package():
    assert {path.parent.name for path in FILES} == set(KINDS)
    assert Path(zerobeat.__file__).resolve().parent / "profiles" == SHIPPED
    assert SHIPPED.resolve() == PROFILES


@pytest.mark.parametrize("path", sorted((PROFILES / "rigs").glob("*")), ids=lambda path: path.name)
def test_shipped_rigs_have_no_warnings_and_every_voice_a_curve(path):
    loaded = load_rig(path)
    assert loaded.warnings == []
    assert all(voice.curve is not None and not voice.stale for voice in loaded.rig.voices)


def test_every_shipped_scene_is_in_the_shipped_set_list():
    loaded = load_rig(PROFILES / "rigs" / "small-case.yaml")
    read = {path.name for path in loaded.files_read if path.parent.name == "scenes"}
    assert read == {path.name for path in (PROFILES / "scenes").iterdir()}


@pytest.mark.parametrize("what", ["wheel", "sdist"])
def test_each_shipped_file_loads_from_what_pip_installs(what, request, tmp_path):
    """Slow: builds and installs. Run with ZEROBEAT_SLOW=1 or, where there is one, --slow."""
    if not (os.environ.get("ZEROBEAT_SLOW") or request.config.getoption("--slow", default=False)):
        pytest.skip("slow; run with ZEROBEAT_SLOW=1")
    built, room = tmp_path / "built", tmp_path / "room"
    build = [sys.executable, "-m", "hatchling", "build", "-t", what, "-d", built]
    subprocess.run(build, check=True, cwd=ROOT)
    (package,) = built.iterdir()
    install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation"]
    subprocess.run([*install, "--target", room, package], check=True)
    environment = os.environ | {"PYTHONPATH": str(room)}
    installed = room / "zerobeat" / "profiles"
    files = sorted(path.relative_to(installed) for path in installed.rglob("*") if path.is_file())
    assert files == [path.relative_to(PROFILES) for path in FILES]
    for file in files:
        check = [sys.executable, "-m", "zerobeat", "check", installed / file]
        done = subprocess.run(check, capture_output=True, text=True, env=environment, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
    rig = installed / "rigs" / "small-case.yaml"
    where = (
        "import sys; from zerobeat.state.state_directory import load_rig; "
        "print(*load_rig(sys.argv[1]).files_read, sep='\\n')"
    )
    done = subprocess.run(
        [sys.executable, "-c", where, rig],
        capture_output=True,
        text=True,
        env=environment,
        check=True,
    )
    assert all(Path(line).is_relative_to(room) for line in done.stdout.splitlines())
