"""The bill of materials of one target: CycloneDX 1.6, as JSON."""

from __future__ import annotations

import json
import uuid
import zipfile
from collections.abc import Iterable
from datetime import UTC, datetime
from email.message import Message
from email.parser import HeaderParser
from pathlib import Path
from typing import Any

from .debs import LockedDebian
from .files import sha256
from .targets import Target

NAMESPACE = uuid.UUID("0e7c2f0e-0e0b-5a43-9c39-6f2f6c6b8f2d")  # any fixed one
LONGEST_NAME = 60  # what is longer in a License field is the licence's text


def metadata(wheel: Path) -> Message:
    """Return the fields of a wheel's METADATA file."""
    with zipfile.ZipFile(wheel) as opened:
        (name,) = (n for n in opened.namelist() if n.endswith(".dist-info/METADATA"))
        return HeaderParser().parsestr(opened.read(name).decode())


def licence(fields: Message) -> dict[str, Any] | None:
    """Return the licence that a package states: as an expression, a name, or a classifier."""
    if expression := fields.get("License-Expression"):
        return {"expression": expression}
    named = (fields.get("License") or "").strip()
    if not named or len(named) > LONGEST_NAME:
        classified = (line.split(" :: ") for line in fields.get_all("Classifier") or [])
        named = next((parts[-1] for parts in classified if parts[0] == "License"), "")
    return {"license": {"name": named}} if named else None


def _hash(value: str) -> list[dict[str, str]]:
    return [{"alg": "SHA-256", "content": value}]


def _python(wheel: Path) -> dict[str, Any]:
    fields = metadata(wheel)
    name, version = fields["Name"], fields["Version"]
    reference = f"pkg:pypi/{name.lower().replace('_', '-')}@{version}"
    component: dict[str, Any] = {
        "type": "library",
        "bom-ref": reference,
        "name": name,
        "version": version,
        "purl": reference,
        "hashes": _hash(sha256(wheel)),
    }
    stated = licence(fields)
    return component | ({"licenses": [stated]} if stated else {})


def _debian(target: Target, package: LockedDebian) -> dict[str, Any]:
    version = package.version.replace("+", "%2B").replace(":", "%3A")
    reference = (
        f"pkg:deb/debian/{package.name.replace('+', '%2B')}@{version}"
        f"?arch={package.machine}&distro={target.codename}"
    )
    return {
        "type": "library",
        "bom-ref": reference,
        "name": package.name,
        "version": package.version,
        "purl": reference,
        "hashes": _hash(package.sha256),
    }


def bill(
    target: Target,
    own: Path,
    wheels: Iterable[Path],
    packages: Iterable[LockedDebian],
    time_s: int,
) -> str:
    """Return the bill: the program's own wheel, the Python and the Debian packages it stands on."""
    program = _python(own) | {"type": "application"}
    parts = [*map(_python, wheels), *(_debian(target, package) for package in packages)]
    references = [part["bom-ref"] for part in parts]
    serial = uuid.uuid5(NAMESPACE, f"{program['bom-ref']} {target.name} {time_s}")
    return (
        json.dumps(
            {
                "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
                "bomFormat": "CycloneDX",
                "specVersion": "1.6",
                "serialNumber": f"urn:uuid:{serial}",
                "version": 1,
                "metadata": {
                    "timestamp": datetime.fromtimestamp(time_s, UTC).isoformat(),
                    "component": program,
                    "properties": [{"name": "zerobeat:target", "value": target.name}],
                },
                "components": parts,
                "dependencies": [{"ref": program["bom-ref"], "dependsOn": references}],
            },
            indent=2,
        )
        + "\n"
    )
