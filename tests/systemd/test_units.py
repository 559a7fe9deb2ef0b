"""The units and the installer, as far as they can be read without a service manager (S1, S4)."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).resolve().parents[2] / "systemd"
SERVICE = (SYSTEMD / "zerobeat.service").read_text()
MOST_EXPOSED_TENTHS = 10  # of 100, for --threshold; systemd 252 finds the README's 6
MOST_EXPOSED_PAGE = 20

analyzes = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed"
)


def value(key: str) -> str:
    return re.findall(rf"^{key}=(.*)$", SERVICE, re.MULTILINE)[-1]


@analyzes
@pytest.mark.parametrize(
    ("unit", "most_tenths"),
    [("zerobeat.service", MOST_EXPOSED_TENTHS), ("zerobeat-page.service", MOST_EXPOSED_PAGE)],
)
def test_the_sandbox_is_hard(unit, most_tenths):
    done = subprocess.run(
        [
            "systemd-analyze",
            "security",
            "--offline=yes",
            f"--threshold={most_tenths}",
            str(SYSTEMD / unit),
        ],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout[-300:] + done.stderr


@pytest.mark.parametrize(
    ("key", "wanted"),
    [
        ("Type", "notify"),
        ("Restart", "always"),
        ("StartLimitIntervalSec", "0"),
        ("RuntimeDirectoryPreserve", "restart"),
        ("User", "zerobeat"),
        ("Group", "zerobeat"),
    ],
)
def test_it_is_ready_when_it_says_so_and_never_gives_up(key, wanted):
    assert value(key) == wanted


def test_it_sees_the_users_of_its_clients():
    """M8: in a user namespace they look alike, and a client that may only look would play."""
    assert "PrivateUsers" not in re.findall(r"^(\w+)=", SERVICE, re.MULTILINE)


def test_limits_are_there_and_finite():
    for key in (
        "LimitRTPRIO",
        "LimitMEMLOCK",
        "LimitNOFILE",
        "MemoryMax",
        "TasksMax",
        "WatchdogSec",
    ):
        assert value(key) not in ("infinity", "0"), key


def test_it_waits_for_no_device_and_no_session():
    for word in ("sound.target", "dbus", "graphical", ".device", "network-online"):
        assert word not in SERVICE


def test_the_installer_reads_as_shell_and_says_what_it_takes():
    script = SYSTEMD / "install.sh"
    assert subprocess.run(["bash", "-n", script]).returncode == 0
    told = subprocess.run(["bash", script, "--help"], capture_output=True, text=True)
    assert told.returncode == 0 and "--remove [--purge]" in told.stdout
    told = subprocess.run(["bash", script, "--nonsense"], capture_output=True, text=True)
    assert told.returncode == 1 and told.stderr.startswith("install.sh: found --nonsense; allowed:")


def test_the_installer_knows_what_to_do_with_every_file_here():
    script = (SYSTEMD / "install.sh").read_text()
    taken = re.findall(r'"\$here"/\*(\.\w+)', script)
    others = {p.name for p in SYSTEMD.iterdir() if p.suffix not in taken}
    assert others == {"install.sh", "README.md"}


def test_units_run_names_that_do_not_move():
    """install.sh replaces "current" by the folder of the version that a unit belongs to."""
    runs = re.findall(r"^Exec\w+=(\S+/python .*)$", SERVICE, re.MULTILINE)
    for name in ("zerobeat-touchup.service", "zerobeat-page.service", "zerobeat-follow.service"):
        runs += re.findall(r"^Exec\w+=(\S+/python .*)$", (SYSTEMD / name).read_text(), re.MULTILINE)
    assert [run.split()[:4] for run in runs] == [
        ["/opt/zerobeat/current/bin/python", "-m", "zerobeat", "run"],
        ["/opt/zerobeat/current/bin/python", "-m", "zerobeat.release"],
        ["/opt/zerobeat/current/bin/python", "-m", "zerobeat", "touchup"],
        ["/opt/zerobeat/current/bin/python", "-m", "zerobeat", "page"],
        ["/opt/zerobeat/current/bin/python", "-m", "zerobeat", "follow"],
    ]
    assert "--rig" not in runs[-3]  # with a rig it would start a daemon of its own


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not installed")
def test_shellcheck_finds_nothing():
    done = subprocess.run(["shellcheck", SYSTEMD / "install.sh"], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout


def test_the_page_runs_as_another_user_that_reads_nothing_of_the_player():
    page = (SYSTEMD / "zerobeat-page.service").read_text()
    for line in (
        "User=zerobeat-page",
        "SupplementaryGroups=zerobeat-stage",
        "StateDirectoryMode=0700",
        "InaccessiblePaths=-/etc/zerobeat -/var/lib/zerobeat",
        "IPAddressDeny=any",
    ):
        assert f"\n{line}\n" in page, line
    users = (SYSTEMD / "zerobeat.sysusers.conf").read_text()
    assert "\nu zerobeat-page " in users and "\nm zerobeat-page zerobeat-stage\n" in users
    assert (
        "\nPathExists=/run/zerobeat/page.wanted\n" in (SYSTEMD / "zerobeat-page.path").read_text()
    )


def test_follow_runs_as_another_user_with_the_sound_card_and_the_socket_alone():
    follow = (SYSTEMD / "zerobeat-follow.service").read_text()
    for line in (
        "User=zerobeat-follow",
        "SupplementaryGroups=audio zerobeat-follow",
        "StateDirectory=zerobeat-follow",
        "DeviceAllow=char-alsa rw",
        "DevicePolicy=closed",
        "PrivateNetwork=yes",
        "RestrictAddressFamilies=AF_UNIX",
        "ProtectSystem=strict",
    ):
        assert f"\n{line}\n" in follow, line
    users = (SYSTEMD / "zerobeat.sysusers.conf").read_text()
    assert "\nu zerobeat-follow " in users and "\nm zerobeat-follow zerobeat-follow\n" in users
    path = (SYSTEMD / "zerobeat-follow.path").read_text()
    assert "\nPathExists=/run/zerobeat/follow.wanted\n" in path
