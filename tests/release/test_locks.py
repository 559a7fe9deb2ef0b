"""The lock files fit the project, and say where nothing comes from."""

from __future__ import annotations

import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from release import debs, wheels
from release.errors import ReleaseError
from release.lock import requirements
from release.targets import LOCKS, ROOT, TARGETS, Target, targets, version

every_target = pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)


def environment(target: Target) -> dict[str, str]:
    return {
        "python_version": target.python,
        "python_full_version": f"{target.python}.0",
        "sys_platform": "linux",
        "platform_machine": target.machine,
        "platform_system": "Linux",
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
        "os_name": "posix",
        "extra": "",
    }


@every_target
def test_each_requirement_of_the_project_is_locked_where_its_marker_holds(target):
    locked = {canonicalize_name(p.name): p.version for p in wheels.read_lock(target.requirements)}
    for line in requirements():
        wanted = Requirement(line)
        name = canonicalize_name(wanted.name)
        if wanted.marker is None or wanted.marker.evaluate(environment(target)):
            assert name in locked, f"{target.name} lacks {line}: run release/lock"
            assert wanted.specifier.contains(locked[name])
        else:
            assert name not in locked


@every_target
def test_midi_ports_come_from_a_wheel_or_from_debian(target):
    from_wheel = "python-rtmidi" in {p.name for p in wheels.read_lock(target.requirements)}
    assert from_wheel != target.uses_system_packages
    packages = {p.name for p in debs.read_lock(target.debian_packages)}
    assert set(target.wanted) <= packages


def test_the_same_versions_on_both_machines():
    for one in TARGETS:
        for other in TARGETS:
            if one.debian == other.debian:
                lines = (wheels.read_lock(t.requirements) for t in (one, other))
                first, second = ([(p.name, p.version) for p in found] for found in lines)
                assert first == second


def test_no_lock_file_names_a_host():
    for path in LOCKS.iterdir():
        assert not re.search(r"://|\.(org|com|net|io)\b", path.read_text()), path.name


def test_a_line_without_a_hash_is_refused(tmp_path):
    lock = tmp_path / "lock.txt"
    lock.write_text("# by hand\nmido==1.3.3\n")
    with pytest.raises(ReleaseError, match=r"lock\.txt:2: found 'mido==1\.3\.3'; allowed: NAME=="):
        wheels.read_lock(lock)
    with pytest.raises(ReleaseError, match=r"lock\.txt:2: found 'mido==1\.3\.3'; allowed: NAME V"):
        debs.read_lock(lock)


def test_an_unknown_target_is_refused_with_those_that_are():
    with pytest.raises(ReleaseError, match="found debian-11-x86_64; allowed: debian-12-x86_64,"):
        targets(["debian-11-x86_64"])


def test_the_tree_says_one_version():
    said = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert version() == said and re.fullmatch(r"\d+\.\d+\.\d+(-[0-9A-Za-z.-]+)?", said)
