"""The installer as root, in a scratch root beside which the machine's own is not touched (S1).

The scratch root is an overlay over this machine's files in a mount namespace of its own: the real
shell, pip, Python, systemctl (which starts nothing in a chroot) and a second user without rights.
Only the third-party packages are empty stand-ins, so that no network is needed. The service
itself runs in the virtual machine: tests/vm.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import random
import shutil
import subprocess
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = "/srv/tree/systemd/install.sh"
FROM = "--wheels /srv/wheels --from /srv/wheels/zerobeat-0.1.0-py3-none-any.whl"
INSTALL = f"{SCRIPT} {FROM}"
BACK = f"{SCRIPT} --back"
UNIT = "/etc/systemd/system/zerobeat.service"
CURRENT = "/opt/zerobeat/current"
STAND_INS = {  # package: module
    "mido": "mido",
    "numpy": "numpy",
    "PyYAML": "yaml",
    "rich": "rich",
    "python_rtmidi": "rtmidi",
    "alsa_midi": "alsa_midi",
    "sounddevice": "sounddevice",
}

MOUNT = """
set -e
mkdir -p "$1"
mount -t tmpfs -o mode=755 scratch "$1"
mkdir "$1/upper" "$1/work" "$1/merged"
[ -z "$3" ] || cp -r "$3" "$1/upper/srv"
mount -t overlay overlay -o "lowerdir=$2,upperdir=$1/upper,workdir=$1/work" "$1/merged"
mount -t proc proc "$1/merged/proc"
mount --bind /dev "$1/merged/dev"
mount -t tmpfs -o mode=755 run "$1/merged/run"
mount -t tmpfs -o mode=1777 tmp "$1/merged/tmp"
echo up
exec cat
"""


def slow(value: object) -> object:
    return pytest.param(value, marks=pytest.mark.slow)


class ScratchRoot:
    """A root of its own for as long as it is open; all of it is in memory and goes with it."""

    def __init__(self, folder: Path, over: ScratchRoot | None = None, srv: str = "") -> None:
        self.folder = folder
        self._lower = f"{over.folder}/upper:{over._lower}" if over else "/"
        inside = over._enter if over else []
        holder = "unshare --mount --pid --fork --kill-child --propagation private sh -c".split()
        self._holder = subprocess.Popen(
            [*inside, *holder, MOUNT, "sh", str(folder), self._lower, srv],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        if self._holder.stdout.readline() != "up\n":
            raise OSError(self._holder.stderr.read())
        pid = self._holder.pid
        while children := Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            pid = int(children[0])  # the first process of the namespace
        self._enter = ["nsenter", "-m", "-p", "-t", str(pid)]

    def start(self, line: str, user: str = "root", **settings) -> subprocess.Popen:
        words = [*self._enter, "chroot", f"{self.folder}/merged"]
        if user != "root":
            words += ["setpriv", f"--reuid={user}", f"--regid={user}", "--init-groups"]
        return subprocess.Popen(
            [*words, "bash", "-c", line],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root"},
            **settings,
        )

    def ask(self, line: str, user: str = "root") -> tuple[int, str]:
        """Run a shell line; return its exit status and what it says."""
        process = self.start(line, user)
        told, _ = process.communicate(timeout=300)
        return process.returncode, told.strip()

    def sh(self, line: str, user: str = "root") -> str:
        status, told = self.ask(line, user)
        assert status == 0, f"{line}: exit {status}\n{told}"
        return told

    def close(self) -> None:
        for pipe in (self._holder.stdin, self._holder.stdout, self._holder.stderr):
            pipe.close()
        self._holder.wait(10)

    def installed(self) -> str:
        """Return all that an upgrade may change, as text to compare."""
        return self.sh(
            "cd /; find opt/zerobeat -maxdepth 1 -printf '%p %y %m %u %l\n' | sort;"
            " find etc/systemd/system etc/modules-load.d etc/sysusers.d usr/local/bin etc/zerobeat"
            " -name '*zerobeat*' -printf '%p %y %m %u %g %l\n' | sort;"
            " sha256sum etc/systemd/system/zerobeat* 2>&1; cat etc/shadow | sha256sum;"
            " stat -c '%a %u %g' etc/shadow"
        )

    def check_it_runs(self) -> None:
        """Run the code that the placed unit names, as the service, as far as that goes here."""
        python = self.sh(f"sed -n 's/^ExecStart=\\([^ ]*\\) .*/\\1/p' {UNIT}")
        assert python.startswith("/opt/zerobeat/")
        module = self.sh(f"sed -n 's/^ExecStart=.* -m \\([^ ]*\\) run .*/\\1/p' {UNIT}")
        self.sh(f"cd /; {python} -I -m {module} --version", "zerobeat")


@contextlib.contextmanager
def scratch_root(folder: Path, over: ScratchRoot | None = None) -> Iterator[ScratchRoot]:
    root = ScratchRoot(folder, over)
    try:
        yield root
    finally:
        root.close()


def make_wheel(folder: Path, package: str, files: dict[str, str], metadata: str = "") -> None:
    """Write a wheel: the files, what it is, and the list of both (PEP 427)."""
    version = "0.1.0" if package == "zerobeat" else "99"
    info = f"{package}-{version}.dist-info"
    files |= {
        f"{info}/METADATA": "Metadata-Version: 2.1\n"
        f"Name: {package}\nVersion: {version}\n{metadata}",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: tests\n"
        "Root-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = ""
    with zipfile.ZipFile(folder / f"{package}-{version}-py3-none-any.whl", "w") as wheel:
        for name, text in files.items():
            digest = base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=")
            record += f"{name},sha256={digest.decode()},{len(text.encode())}\n"
            wheel.writestr(name, text)
        wheel.writestr(f"{info}/RECORD", f"{record}{info}/RECORD,,\n")


@pytest.fixture(scope="module")
def bare(tmp_path_factory) -> Iterator[ScratchRoot]:
    """A root without zerobeat; user eve is a member of its group, as any player is."""
    if os.geteuid() != 0 or shutil.which("unshare") is None:
        pytest.skip("needs root, for a root of its own")
    srv = tmp_path_factory.mktemp("srv")
    (wheels := srv / "wheels").mkdir()
    shutil.copytree(ROOT / "systemd", srv / "tree" / "systemd")
    for package, module in STAND_INS.items():
        make_wheel(wheels, package, {f"{module}/__init__.py": ""})
    code = ROOT / "daemon"
    files = {str(path.relative_to(code)): path.read_text() for path in code.rglob("*.py")}
    share = "zerobeat-0.1.0.data/data/share"
    files[f"{share}/man/man1/zerobeat-run.1"] = ".TH ZEROBEAT\\-RUN 1\n"
    files[f"{share}/fish/vendor_completions.d/zerobeat.fish"] = "# none\n"
    info = "zerobeat-0.1.0.dist-info/entry_points.txt"
    files[info] = "[console_scripts]\nzerobeat = zerobeat.cli:main\n"
    needs = "".join(f"Requires-Dist: {name}\n" for name in STAND_INS if name != "sounddevice")
    make_wheel(wheels, "zerobeat", files, f"{needs}Provides-Extra: alsa\n")
    try:
        root = ScratchRoot(tmp_path_factory.mktemp("bare"), srv=str(srv))
    except OSError as error:
        pytest.skip(f"no root of its own can be made here: {error}")
    try:
        if root.ask("systemd-sysusers --version && python3 -I -c 'import ensurepip'")[0]:
            pytest.skip("systemd or python3-venv is not installed")
        root.sh(
            "rm -rf /opt/zerobeat /etc/zerobeat /etc/*/*zerobeat* /etc/*/*/*zerobeat*"
            " /var/lib/zerobeat /usr/local/bin/zerobeat;"
            " chown -R root:root /srv; chmod -R go=u-w /srv;"
            " systemd-sysusers /srv/tree/systemd/zerobeat.sysusers.conf &&"
            " useradd -m -G zerobeat eve && echo eve:secret | chpasswd"
        )
        yield root
    finally:
        root.close()


@pytest.fixture(scope="module")
def ready(bare, tmp_path_factory) -> Iterator[ScratchRoot]:
    with scratch_root(tmp_path_factory.mktemp("ready"), bare) as root:
        root.sh(INSTALL)
        yield root


@pytest.fixture
def fresh(bare, tmp_path) -> Iterator[ScratchRoot]:
    with scratch_root(tmp_path / "root", bare) as root:
        yield root


@pytest.fixture
def box(ready, tmp_path) -> Iterator[ScratchRoot]:
    """A root with a version installed."""
    with scratch_root(tmp_path / "root", ready) as root:
        yield root


# ---------------------------------------------------------------- what is installed


@pytest.mark.parametrize("umask", ["077", slow("000")])
def test_any_umask_installs_what_the_service_can_read_and_nobody_else_change(fresh, umask):
    told = fresh.sh(f"umask {umask}; {INSTALL}")
    assert "zerobeat is installed: zerobeat 0.1.0" in told
    fresh.check_it_runs()
    found = fresh.sh(
        "find /opt/zerobeat /etc/systemd/system/zerobeat* /etc/modules-load.d /etc/sysusers.d"
        " ! -type l -perm /022"
    )
    assert not found
    assert fresh.sh("stat -c '%a %U %G' /etc/zerobeat") == "2775 root zerobeat"
    assert fresh.sh("stat -c '%a %G' /etc/zerobeat/rig.yaml") == "664 zerobeat"
    fresh.sh("echo '# mine' >>/etc/zerobeat/rig.yaml", "eve")
    assert fresh.sh("stat -c %a /run/zerobeat-install.lock") == "600"


@pytest.mark.slow
def test_a_folder_that_an_earlier_umask_closed_is_opened(box):
    box.sh("chmod 700 /opt/zerobeat")
    box.sh(INSTALL)
    box.check_it_runs()


def test_without_python_it_says_what_is_missing_in_one_line(fresh):
    told = fresh.ask(f"rm /usr/bin/python3; {INSTALL}")
    assert told[0] == 1
    assert told[1].splitlines()[-1] == (
        "install.sh: found no python3; apt-get install python3 python3-venv"
    )
    assert "command not found" not in told[1]


@pytest.mark.slow
def test_two_at_once_do_not_meet(box):
    first = box.start(INSTALL)
    time.sleep(1.0)
    assert box.ask(INSTALL) == (1, "install.sh: another run of it is not done yet")
    assert "is installed" in first.communicate(timeout=120)[0]


# ---------------------------------------------------------------- done or not done


def test_packages_that_are_missing_change_nothing(box):
    before = box.installed()
    status, told = box.ask(f"rm /srv/wheels/rich*; {INSTALL}")
    assert status == 1
    assert told.endswith("could not be installed; what was there is unchanged")
    assert box.installed() == before


def test_a_version_that_does_not_start_changes_nothing(box):
    before = box.installed()
    told = box.ask(f"mv /srv/wheels/python_rtmidi* /srv/wheels/other.zip; {INSTALL}")
    assert told[0] == 1
    assert box.installed() == before


def test_a_step_that_fails_amid_the_switch_is_undone(box):
    """A folder where a unit belongs: the files before it are placed already."""
    box.sh("cd /etc/systemd/system; rm zerobeat.service; mkdir -p zerobeat.service/x")
    before = box.installed()
    status, told = box.ask(INSTALL)
    assert status == 1
    assert "is in use, as before" in told
    assert box.installed() == before
    box.sh("rm -r /etc/systemd/system/zerobeat.service")
    box.sh(INSTALL)
    box.check_it_runs()


@pytest.mark.slow
def test_a_first_install_that_fails_amid_the_switch_leaves_nothing(fresh):
    fresh.sh("mkdir -p /etc/systemd/system/zerobeat.service/x")
    assert fresh.ask(INSTALL)[0] == 1
    left = fresh.sh(
        "ls /etc/systemd/system/zerobeat-* /opt/zerobeat/*-* /opt/zerobeat/current; true"
    )
    assert all("No such file" in line for line in left.splitlines()), left


@pytest.mark.parametrize("seed", [0, *map(slow, range(1, 6))])
def test_killed_at_any_moment_the_unit_finds_its_own_code(box, seed):
    chance = random.Random(seed)
    # The first part of a run makes the version; the switch is its last tenth.
    for part in (chance.uniform(0.0, 0.8), chance.uniform(0.9, 1.0)):
        begin_s = time.monotonic()
        box.sh(INSTALL)
        took_s = time.monotonic() - begin_s
        process = box.start(INSTALL, start_new_session=True)
        time.sleep(took_s * part)
        os.killpg(process.pid, 9)
        process.communicate()
        box.check_it_runs()
    told = box.sh(INSTALL)
    assert "is installed" in told
    assert not box.sh("find /opt/zerobeat /etc/systemd/system -name '*.new' -o -name unfinished")
    assert len(box.sh("ls -d /opt/zerobeat/*-*").split()) == 2


# ---------------------------------------------------------------- back


def test_back_restores_the_units_of_the_version_it_goes_back_to(box):
    """Also of one whose installer kept no units beside its code, byte for byte."""
    old = box.sh(f"readlink {CURRENT}")
    box.sh(  # as the installer before this one left it
        f"rm -r {old}/service; cd /etc/systemd/system;"
        f" sed -i 's|{old}/|{CURRENT}/|; s/-m zerobeat run/-m zerobeat.cli run/' zerobeat.service;"
        " echo '# old' >>/etc/sysusers.d/zerobeat.conf"
    )
    placed = f"sha256sum {UNIT} /etc/sysusers.d/zerobeat.conf; cat {UNIT}"
    before = box.sh(placed)
    box.sh(INSTALL)
    new = box.sh(f"readlink {CURRENT}")
    assert f"ExecStart={new}/bin/python -m zerobeat run " in box.sh(f"cat {UNIT}")
    after = box.sh(placed)
    assert f"back to {old}" in box.sh(BACK)
    assert box.sh(placed) == before
    assert box.sh(f"readlink {CURRENT}") == old
    box.check_it_runs()
    assert f"back to {new}" in box.sh(BACK)
    assert box.sh(placed) == after


@pytest.mark.slow
def test_a_unit_that_only_the_newer_version_has_goes_with_it(box):
    wants = "/etc/systemd/system/multi-user.target.wants"
    later = "/etc/systemd/system/zerobeat-later.path"
    box.sh("cp /srv/tree/systemd/zerobeat-touchup.path /srv/tree/systemd/zerobeat-later.path")
    box.sh(INSTALL)
    box.sh(f"test -f {later} && test -L {wants}/zerobeat-later.path")
    box.sh(BACK)
    box.sh(f"test ! -e {later} && ! test -L {wants}/zerobeat-later.path")
    box.sh(BACK)
    box.sh(f"test -f {later} && test -L {wants}/zerobeat-later.path")


def test_back_never_goes_to_a_version_that_was_not_finished(box):
    box.sh(
        "mkdir -p /opt/zerobeat/20990101-000000/bin; cd /opt/zerobeat/20990101-000000;"
        " touch unfinished bin/zerobeat; chmod 755 bin/zerobeat"
    )
    assert box.ask(BACK) == (1, "install.sh: no version before this one is kept")


# ---------------------------------------------------------------- attacks

SWAPS = {
    "link": "ln -sfn /etc/shadow /etc/zerobeat/rig.yaml",
    "dangling link": "ln -sfn /etc/nowhere /etc/zerobeat/rig.yaml",
    "link to a folder": "ln -sfn /etc /etc/zerobeat/rig.yaml",
    "pipe": "rm -f /etc/zerobeat/rig.yaml; mkfifo /etc/zerobeat/rig.yaml",
    "nothing": "rm -f /etc/zerobeat/rig.yaml",
}


@pytest.mark.parametrize("swap", [slow(swap) for swap in SWAPS.values()], ids=SWAPS)
def test_what_a_member_puts_in_place_of_the_rig_is_not_touched(box, swap):
    box.sh(swap, "eve")
    before = box.sh("stat -c '%a %u %g' /etc/shadow /etc; cat /etc/shadow; ls /etc")
    assert "is installed" in box.sh(INSTALL)
    assert box.sh("stat -c '%a %u %g' /etc/shadow /etc; cat /etc/shadow; ls /etc") == before
    box.check_it_runs()


def test_a_hard_link_in_place_of_the_rig_is_not_touched(box):
    """Root makes it here: the kernel's fs.protected_hardlinks forbids it to eve, where it is on."""
    box.sh(
        "rm /etc/zerobeat/rig.yaml; touch /etc/kept; chmod 600 /etc/kept;"
        " ln /etc/kept /etc/zerobeat/rig.yaml"
    )
    told = box.sh(INSTALL)
    assert "the service can't read it" in told
    assert box.sh("stat -c '%a %U %G' /etc/kept") == "600 root root"


def test_a_rig_swapped_while_root_installs_gains_nothing(box):
    """eve takes away and swaps what is there as fast as it goes, during a whole install."""
    before = box.sh("stat -c '%a %u %g' /etc/shadow; sha256sum /etc/shadow")
    eve = box.start(
        "cd /etc/zerobeat; while :; do rm -f rig.yaml; ln -s /etc/shadow rig.yaml;"
        " rm -f rig.yaml; mkdir scenes 2>/dev/null; ln -s /etc profiles 2>/dev/null; done",
        "eve",
        start_new_session=True,
    )
    try:
        for _ in range(2):
            box.sh(INSTALL)
    finally:
        os.killpg(eve.pid, 9)
        eve.communicate()
    assert box.sh("stat -c '%a %u %g' /etc/shadow; sha256sum /etc/shadow") == before


def test_nothing_of_the_folder_it_is_started_in_is_run(fresh):
    """Modules and commands of eve's in the working directory and where variables point."""
    fresh.sh(
        "mkdir ~eve/bad ~eve/bad/tmp; chmod 777 ~eve/bad/tmp; cd ~eve/bad; mkdir ensurepip;"
        " for name in venv pip ensurepip/__init__ ensurepip/__main__ sitecustomize usercustomize"
        ' zerobeat rtmidi; do echo \'open("/pwned", "a").write(__file__)\' >$name.py; done;'
        " for name in python3 dirname realpath id find stat sed systemctl grep mkdir; do"
        " printf '#!/bin/sh\\necho %s >>/pwned\\n' $name >$name; chmod 755 $name; done",
        "eve",
    )
    names = "PYTHONPATH TMPDIR HOME CDPATH base source made name PYTHONUSERBASE".split()
    hostile = " ".join(f"{name}=/home/eve/bad/tmp/.." for name in names)
    told = fresh.sh(
        f"cd /home/eve/bad; export PATH=.:/home/eve/bad:$PATH BASH_ENV=/home/eve/bad/id {hostile};"
        f" {INSTALL}"
    )
    assert "is installed" in told
    assert fresh.ask("cat /pwned")[0] == 1, fresh.ask("cat /pwned")
    fresh.check_it_runs()


@pytest.mark.parametrize(
    ("loosen", "named"),
    [
        ("chmod 777 /srv/tree/systemd", "/srv/tree/systemd"),
        ("chmod g+w,o+w /srv/tree/systemd/zerobeat.service", "/srv/tree/systemd/zerobeat.service"),
        ("chgrp zerobeat /srv/tree; chmod g+w /srv/tree", "/srv/tree"),
        ("chown eve /srv", "/srv"),
        ("chown eve /srv/tree/systemd/README.md", "README.md"),
        ("chmod 777 /srv/wheels", "/srv/wheels"),
    ],
)
def test_a_tree_that_others_may_change_is_refused(box, loosen, named):
    before = box.installed()
    status, told = box.ask(f"{loosen} 2>/dev/null; {INSTALL}")
    assert status == 1
    assert named in told and "others than its owner may change it" in told
    assert box.installed() == before


@pytest.mark.slow
def test_a_players_own_tree_is_taken(box):
    """With the group that each Debian user has alone, and in /tmp, where others can't rename it."""
    box.sh("cp -r /srv /tmp/mine; chown -R eve:eve /tmp/mine; chmod -R g+w /tmp/mine")
    told = box.sh(INSTALL.replace("/srv", "/tmp/mine"))
    assert "is installed" in told


@pytest.mark.parametrize("folder", ["/opt", "/opt/zerobeat", "/etc/systemd/system"])
def test_a_place_that_is_not_roots_alone_is_refused(box, folder):
    before = box.installed()
    status, told = box.ask(f"chgrp zerobeat {folder}; chmod g+w {folder}; {INSTALL}")
    assert (status, f"{folder}: is not root's alone" in told) == (1, True), told
    box.sh(f"chgrp root {folder}; chmod g-w {folder}")
    assert box.installed() == before


def test_a_version_that_others_could_change_gives_no_units(box):
    """As an installer left it that ran with umask 000."""
    box.sh(f"chmod 777 $(readlink {CURRENT})")
    before = box.installed()
    status, told = box.ask(INSTALL)
    assert (status, "is not root's alone" in told) == (1, True), told
    assert box.installed() == before


def test_a_folder_of_others_behind_a_link_gets_nothing(fresh):
    fresh.sh("rm -rf /etc/modules-load.d; ln -s /home/eve/new/folder /etc/modules-load.d")
    status, told = fresh.ask(INSTALL)
    assert (status, "/home/eve: is not root's alone" in told) == (1, True), told
    assert not fresh.sh("find /home/eve -name new")


def test_a_name_with_escape_codes_does_not_reach_the_terminal(box):
    box.sh("touch $'/srv/tree/systemd/\\e]0;x\\a.py'; chmod 777 /srv/tree/systemd/*.py")
    status, told = box.ask(INSTALL)
    assert (status, told.startswith("install.sh: /srv/tree/systemd/?]0;x?.py: ")) == (1, True), told


DANGLING = [
    UNIT,
    "/etc/systemd/system/zerobeat-touchup.path",
    "/etc/modules-load.d/zerobeat.conf",
    "/etc/sysusers.d/zerobeat.conf",
    "/usr/local/bin/zerobeat",
    "/opt/zerobeat/current",
    "/opt/zerobeat/share/README.md",
]


def test_links_that_lead_nowhere_are_replaced_and_not_followed(box):
    for path in DANGLING:
        box.sh(f"ln -sfnT /srv/nowhere/else {path}; ln -sfnT /srv/nowhere/else {path}.new")
    gone = "/usr/local/share/man/man1/zerobeat-gone.1"  # of a version before
    box.sh(f"ln -sfnT {CURRENT}/share/man/man1/zerobeat-gone.1 {gone}")
    assert "is installed" in box.sh(INSTALL)
    box.check_it_runs()
    assert not box.sh("find -L /srv -name nowhere")
    box.sh(f"test ! -L {gone}")
    box.sh(f"test -x {CURRENT}/bin/zerobeat && test -x /usr/local/bin/zerobeat")


def test_manual_pages_and_completions_are_where_man_and_the_shells_look(box):
    box.sh("grep -q RUN /usr/local/share/man/man1/zerobeat-run.1")
    box.sh("test -f /usr/local/share/fish/vendor_completions.d/zerobeat.fish")
    box.sh(f"{SCRIPT} --remove")
    assert not box.sh("find /usr/local/share -name '*zerobeat*'")


@pytest.mark.parametrize("target", ["/srv/nowhere", slow("/home/eve")])
def test_a_link_in_place_of_the_rigs_folder_is_left_alone(box, target):
    before = box.sh("stat -c '%a %U %G' /home/eve")
    box.sh(f"rm -r /etc/zerobeat; ln -s {target} /etc/zerobeat")
    told = box.sh(INSTALL)
    assert "no rig is there" in told
    assert box.sh("stat -c '%a %U %G' /home/eve") == before
    assert not box.sh("find -L /srv -name nowhere")


def test_removal_follows_no_link(box):
    box.sh("mkdir -p /var/lib/zerobeat; echo x >/srv/kept; ln -s /srv /var/lib/zerobeat/scenes")
    box.sh("ln -s /srv /etc/zerobeat/profiles; ln /srv/kept /etc/zerobeat/hard")
    box.sh(f"{SCRIPT} --remove")
    box.sh("test -f /etc/zerobeat/rig.yaml && test ! -e /opt/zerobeat")
    box.sh(INSTALL)
    box.sh(f"{SCRIPT} --remove --purge")
    assert box.sh("cat /srv/kept; ls /srv/tree") == "x\nsystemd"
    left = box.sh("ls -d /etc/zerobeat* /etc/*/*zerobeat* /etc/*/*/*zerobeat* /opt/zerobeat; true")
    assert all("No such file" in line for line in left.splitlines()), left
