"""A stage bundle: one tar for one target, from which a bare box becomes a playing one offline."""

from __future__ import annotations

import zipfile
from pathlib import Path

from . import debs
from .archive import copy, write_tar
from .files import run, sha256
from .targets import Target

DOCUMENTS = ("README.md", "CHANGELOG.md", "LICENSE", "docs", "profiles")
SUMS = "SHA256SUMS"


def write_licences(wheels: list[Path], folder: Path) -> None:
    """Write each package's licence files into a folder of its name.

    Source: Binary distribution format, "The .dist-info directory"; core metadata, License-File.
    """
    for wheel in wheels:
        with zipfile.ZipFile(wheel) as opened:
            for name in opened.namelist():
                parts = Path(name).parts
                if not parts[0].endswith(".dist-info") or name.endswith("/"):
                    continue
                words = parts[-1].upper()
                if parts[1] == "licenses" or words.startswith(("LICEN", "COPYING", "NOTICE")):
                    place = folder / wheel.name.split("-")[0] / "-".join(parts[1:])
                    place.parent.mkdir(parents=True, exist_ok=True)
                    place.write_bytes(opened.read(name))


def write_index(folder: Path, packages: list[Path]) -> None:
    """Write the index by which apt takes packages from a folder."""
    entries = []
    for path in packages:
        copy(path, folder / path.name)
        fields = run(["dpkg-deb", "--field", path]).rstrip("\n")
        place = f"Filename: ./{path.name}\nSize: {path.stat().st_size}\nSHA256: {sha256(path)}"
        entries.append(f"{fields}\n{place}\n\n")
    (folder / "Packages").write_text("".join(entries))


def write_sums(folder: Path) -> None:
    """Write the checksums of all files in a folder, as sha256sum reads them."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    lines = [f"{sha256(path)}  {path.relative_to(folder)}\n" for path in files]
    (folder / SUMS).write_text("".join(lines))


def build(
    target: Target, tree: Path, own: Path, wheels: list[Path], bill: Path, work: Path, time_s: int
) -> Path:
    """Return the bundle's file in the folder ``work``.

    Args:
        target: what it is for.
        tree: the committed tree.
        own: the program's wheel.
        wheels: those of the target's lock.
        bill: the bill of materials.
        work: a folder for what is made.
        time_s: the time that every file gets.
    """
    name = f"{own.name.split('-py3')[0]}-{target.name}"
    folder = work / name
    for document in DOCUMENTS:
        copy(tree / document, folder / document)
    copy(tree / "systemd", folder / "systemd")
    copy(own, folder / own.name)
    for wheel in wheels:
        copy(wheel, folder / "wheels" / wheel.name)
    write_index(folder / "debs", debs.fetch(target))
    write_licences(wheels, folder / "licences")
    copy(bill, folder / "bill-of-materials.cdx.json")
    text = (tree / "release" / "parts" / "install").read_text()
    settings = {
        "DEBIAN": str(target.debian),
        "MACHINE": target.machine,
        "WANTED": " ".join(target.wanted),
    }
    for key, value in settings.items():
        text = text.replace(f"@{key}@", value)
    (folder / "install").write_text(text)
    (folder / "install").chmod(0o755)
    write_sums(folder)
    packed = work / f"{name}.tar"
    write_tar(folder, packed, time_s)
    return packed
