"""What release/build makes: the same bytes twice, nothing of its own where the player writes."""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile

import pytest

from kit.released import HERE, ROOT, build
from release.files import sha256
from release.targets import TARGETS, version

LARGEST_PACKAGE_MB = 45
pytestmark = pytest.mark.slow


def test_another_version_than_the_trees_is_refused():
    done = subprocess.run([ROOT / "release/build", "9.9.9"], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr == f"error: version: found 9.9.9; the tree says {version()}\n"


def test_twice_built_is_the_same_to_the_byte(built, tmp_path):
    again = build(tmp_path / "again")
    first, second = (
        {path.name: sha256(path) for path in folder.iterdir() if path.suffix != ".mid"}
        for folder in (built, again)
    )
    assert {name: first[name] for name in second} == second
    assert len(second) > 4


def test_the_checksums_are_right(built):
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"],
        cwd=built,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_each_bundle_has_what_it_lists(built):
    for packed in built.glob("*.tar"):
        with tarfile.open(packed) as tar:
            names = {info.name.partition("/")[2] for info in tar}
            assert {info.uname for info in tar} == {"root"}
            bill = json.load(tar.extractfile(f"{packed.stem}/bill-of-materials.cdx.json"))
        assert {"install", "systemd/install.sh", "LICENSE", "README.md", "docs/rig.md"} <= names
        wheels = [name for name in names if name.startswith("wheels/")]
        packages = [name for name in names if name.endswith(".deb")]
        assert len(bill["components"]) == len(wheels) + len(packages)
        for name in ("numpy", "python_rtmidi"):
            if any(f"/{name}-" in wheel for wheel in wheels):
                assert any(part.startswith(f"licences/{name}/") for part in names), name


def test_each_part_of_the_bill_of_materials_has_a_hash_and_each_wheel_a_licence(built):
    for path in built.glob("*.cdx.json"):
        bill = json.loads(path.read_text())
        assert bill["specVersion"] == "1.6"
        references = [part["bom-ref"] for part in bill["components"]]
        assert len(set(references)) == len(references)
        for part in bill["components"]:
            assert len(part["hashes"][0]["content"]) == 64
            assert part["purl"].startswith("pkg:deb/") or part["licenses"], part["name"]


def test_the_bill_of_materials_fits_its_schema(built):
    validation = pytest.importorskip("cyclonedx.validation.json")
    schema = pytest.importorskip("cyclonedx.schema").SchemaVersion.V1_6
    for path in built.glob("*.cdx.json"):
        assert validation.JsonStrictValidator(schema).validate_str(path.read_text()) is None


def contents(package):
    told = subprocess.run(["dpkg-deb", "--contents", package], capture_output=True, text=True)
    return [line.split()[5].removeprefix(".") for line in told.stdout.splitlines()]


def test_the_package_has_nothing_where_the_player_writes(built):
    packages = list(built.glob("*.deb"))
    assert len(packages) >= len([target for target in TARGETS if target.machine == HERE])
    for package in packages:
        names = contents(package)
        assert "/usr/lib/systemd/system/zerobeat.service" in names
        for place in ("/etc", "/var", "/opt", "/run", "/home"):
            assert not [name for name in names if name.startswith(place)]
        assert package.stat().st_size < LARGEST_PACKAGE_MB * 1e6


@pytest.mark.skipif(shutil.which("lintian") is None, reason="lintian is not installed")
def test_lintian_finds_no_error(built):
    packages = sorted(built.glob("*.deb"))
    command = ["lintian", "--allow-root", "--fail-on", "error", *packages]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not installed")
def test_the_shell_scripts_are_clean():
    parts = ROOT / "release" / "parts"
    scripts = [parts / "install", *sorted((parts / "debian").glob("p*")), ROOT / "release/build"]
    done = subprocess.run(["shellcheck", *scripts], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
