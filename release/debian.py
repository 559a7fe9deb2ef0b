"""The Debian package of one target: a virtual environment, units, user, modules, documents."""

from __future__ import annotations

import gzip
import hashlib
import os
import re
import shutil
from email.utils import formatdate
from pathlib import Path

from .archive import copy, settle
from .bundle import write_licences
from .files import run
from .targets import Target
from .tools import pip, tools

BASE = Path("usr/lib/zerobeat")
DOCUMENTS = Path("usr/share/doc/zerobeat")
INSTALLER_PLACE = "/opt/zerobeat/current/"
PACKAGE_PLACE = "/usr/lib/zerobeat/current/"
MAINTAINER = "zerobeat developers <developers@zerobeat.invalid>"
# What the wheels link to, beside Python itself.
LIBRARIES = ("libc6 (>= 2.28)", "libstdc++6", "libgcc-s1")
GENERATED = Path("daemon/zerobeat/generated")  # in the tree, by docs/generate.py
COMPLETIONS = {  # there: in the package
    "completion.bash": "usr/share/bash-completion/completions/zerobeat",
    "completion.zsh": "usr/share/zsh/vendor-completions/_zerobeat",
    "completion.fish": "usr/share/fish/vendor_completions.d/zerobeat.fish",
}
LAUNCHER = f"""\
#!{PACKAGE_PLACE}bin/python
import sys

from zerobeat.cli import main

sys.exit(main())
"""


def depends(target: Target) -> str:
    """Return what the package needs: the Python it was made for, and libraries."""
    major, minor = target.python.split(".")
    python = [f"python3 (>= {target.python})", f"python3 (<< {major}.{int(minor) + 1})"]
    wanted = [name for name in target.wanted if name != "python3-venv"]
    return ", ".join([*python, *wanted, *LIBRARIES, "systemd"])


def write_environment(target: Target, own: Path, wheels: list[Path], folder: Path) -> None:
    """Write a virtual environment for the target's Python, which need not be here.

    Source: the venv module, "How venvs work"; PEP 405.
    """
    packages = folder / "lib" / f"python{target.python}" / "site-packages"
    found = sorted({str(wheel.parent) for wheel in (own, *wheels)})
    names = ["==".join(wheel.name.split("-")[:2]) for wheel in (own, *wheels)]
    options = ["--no-index", "--no-compile", "--ignore-requires-python", f"--target={packages}"]
    options += [f"--find-links={place}" for place in found]
    run([tools(), *pip("install"), *target.pip_options(), *options, *names])
    for name in ("bin", "share"):  # made for another Python; written where the system looks
        shutil.rmtree(packages / name, ignore_errors=True)
    (folder / "bin").mkdir()
    for name in ("python", "python3", f"python{target.python}"):
        (folder / "bin" / name).symlink_to(f"/usr/bin/python{target.python}")
    (folder / "bin" / "zerobeat").write_text(LAUNCHER)
    (folder / "bin" / "zerobeat").chmod(0o755)
    system = str(target.uses_system_packages).lower()
    (folder / "pyvenv.cfg").write_text(
        f"home = /usr/bin\ninclude-system-site-packages = {system}\nversion = {target.python}\n"
    )
    (folder / "from-package").write_text("dpkg\n")
    (folder / "zerobeat-origin").write_text(f"Debian package, {target.name}\n")


def write_service(tree: Path, folder: Path) -> tuple[list[str], list[str]]:
    """Write units, user and modules; return the names of all units and of those to enable."""
    units, enabled = [], []
    for path in sorted((tree / "systemd").iterdir()):
        if path.suffix not in (".service", ".path", ".timer", ".socket"):
            continue
        text = path.read_text().replace(INSTALLER_PLACE, PACKAGE_PLACE)
        text = text.replace("/opt/zerobeat/share/README.md", f"/{DOCUMENTS}/systemd/README.md")
        target = folder / "usr/lib/systemd/system" / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text)
        units.append(path.name)
        if re.search(r"^\[Install\]$", text, re.MULTILINE):
            enabled.append(path.name)
    for kind, suffix in (("modules-load.d", "modules"), ("sysusers.d", "sysusers")):
        text = (tree / "systemd" / f"zerobeat.{suffix}.conf").read_text()
        target = folder / "usr/lib" / kind / "zerobeat.conf"
        target.parent.mkdir(parents=True)
        target.write_text(text.replace(f"/etc/{kind}/", f"/usr/lib/{kind}/"))
    return units, enabled


def _compressed(text: bytes, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(gzip.compress(text, mtime=0))


def write_documents(
    target: Target,
    tree: Path,
    wheels: list[Path],
    bill: Path,
    folder: Path,
    version: str,
    time_s: int,
) -> None:
    """Write what a player reads, what a lawyer reads, and a record of what is inside."""
    place = folder / DOCUMENTS
    for name in ("README.md", "docs", "profiles", "systemd/README.md"):
        copy(tree / name, place / name)
    copy(bill, place / "bill-of-materials.cdx.json")
    licence = (tree / "LICENSE").read_text()
    (place / "copyright").write_text(
        f"zerobeat: see below. The Python packages inside: /{DOCUMENTS}/licences\n\n{licence}"
    )
    write_licences(wheels, place / "licences")
    _compressed((tree / "CHANGELOG.md").read_bytes(), place / "CHANGELOG.md.gz")
    date = formatdate(time_s)
    log = f"zerobeat ({version}) {target.codename}; urgency=medium\n\n  * See CHANGELOG.md.gz.\n\n"
    _compressed(f"{log} -- {MAINTAINER}  {date}\n".encode(), place / "changelog.gz")
    for page in sorted((tree / GENERATED / "man").iterdir()):
        _compressed(page.read_bytes(), folder / "usr/share/man/man1" / f"{page.name}.gz")
    for source, end in COMPLETIONS.items():
        copy(tree / GENERATED / source, folder / end)


def _md5(path: Path) -> str:
    """Return what dpkg compares; it takes nothing better here."""
    return hashlib.md5(path.read_bytes(), usedforsecurity=False).hexdigest()


def write_control(tree: Path, folder: Path, settings: dict[str, str]) -> None:
    parts = tree / "release" / "parts" / "debian"
    control = folder / "DEBIAN"
    control.mkdir()
    files = sorted(p for p in folder.rglob("*") if p.is_file() and not p.is_symlink())
    files = [path for path in files if control not in path.parents]
    size = sum(-(-path.stat().st_size // 1024) for path in files)
    for name in ("control", "postinst", "prerm", "postrm"):
        text = (parts / name).read_text()
        for key, value in (settings | {"SIZE": str(size)}).items():
            text = text.replace(f"@{key}@", value)
        (control / name).write_text(text)
        if name != "control":
            (control / name).chmod(0o755)
    (control / "md5sums").write_text(
        "".join(f"{_md5(p)}  {p.relative_to(folder)}\n" for p in files)
    )


def build(
    target: Target, tree: Path, own: Path, wheels: list[Path], bill: Path, work: Path, time_s: int
) -> Path:
    """Return the package's file in the folder ``work``; the arguments are those of the bundle's."""
    version = f"{own.name.split('-')[1]}+deb{target.debian}"
    folder = work / "package"
    write_environment(target, own, wheels, folder / BASE / "packaged")
    units, enabled = write_service(tree, folder)
    write_documents(target, tree, wheels, bill, folder, version, time_s)
    copy(
        tree / "release/parts/debian/lintian-overrides",
        folder / "usr/share/lintian/overrides/zerobeat",
    )
    (folder / "usr/bin").mkdir()
    (folder / "usr/bin/zerobeat").symlink_to("../lib/zerobeat/current/bin/zerobeat")
    settings = {
        "VERSION": version,
        "MACHINE": target.debian_machine,
        "MAINTAINER": MAINTAINER,
        "DEPENDS": depends(target),
        "UNITS": " ".join(units),
        "ENABLED": " ".join(enabled),
    }
    write_control(tree, folder, settings)
    settle(folder, time_s)
    packed = work / f"zerobeat_{version}_{target.debian_machine}.deb"
    command = ["dpkg-deb", "--root-owner-group", "-Zxz", "--threads-max=1", "--build"]
    run([*command, folder, packed], environment=os.environ | {"SOURCE_DATE_EPOCH": str(time_s)})
    return packed
