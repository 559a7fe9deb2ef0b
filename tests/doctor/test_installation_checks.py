"""Do the parts of an installation belong together?"""

import pytest

from zerobeat.doctor import installation_checks
from zerobeat.doctor.installation_checks import UNIT_FOLDERS, installation, packages, service
from zerobeat.origin import VERSION

PROGRAM = "/opt/zerobeat/20260101-000000/bin/python"


def place(root, folder=UNIT_FOLDERS[0], version=VERSION, program=PROGRAM):
    unit = root / folder / "zerobeat.service"
    unit.parent.mkdir(parents=True)
    unit.write_text(f"[Service]\nExecStart={program} -m zerobeat run /etc/zerobeat/rig.yaml\n")
    if version:
        python = root / program.lstrip("/")
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()
        packages = python.parent.parent / "lib/python3.11/site-packages"
        (packages / f"zerobeat-{version}.dist-info").mkdir(parents=True, exist_ok=True)


def levels(findings):
    return [finding.level for finding in findings]


def test_this_installation_fits(tmp_path):
    found = list(installation(tmp_path))
    assert levels(found) == ["ok"]
    assert f"zerobeat {VERSION} (" in found[0].text


def test_a_service_of_this_version_is_right(tmp_path):
    place(tmp_path)
    assert not list(service(tmp_path))


def test_a_service_of_another_version_is_said(tmp_path):
    place(tmp_path, version="0.0.9")
    (found,) = service(tmp_path)
    assert found.level == "warning"
    assert found.text == f"plays version 0.0.9; this command is version {VERSION}"


def test_a_service_whose_program_is_gone_is_a_fault(tmp_path):
    place(tmp_path, version="")
    (found,) = service(tmp_path)
    assert found.level == "fault" and f"starts {PROGRAM}, which is not there" in found.text


def test_two_installations_are_said(tmp_path):
    place(tmp_path)
    place(tmp_path, UNIT_FOLDERS[-1])
    (found,) = service(tmp_path)
    assert found.level == "warning" and "installed twice" in found.text


@pytest.mark.parametrize(
    ("wanted", "level"),
    [
        ("mido>=1.2", None),
        ("mido", None),
        ("mido>=999.1", "fault"),
        ("no-such-package>=1", "fault"),
        ("no-such-package>=1; extra == 'test'", None),
    ],
)
def test_packages_are_here_and_new_enough(monkeypatch, wanted, level):
    monkeypatch.setattr(installation_checks, "requires", lambda _: [wanted])
    assert levels(packages()) == ([level] if level else [])
