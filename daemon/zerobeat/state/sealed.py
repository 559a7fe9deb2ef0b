"""One file with a checksum and the number of its format in it.

A YAML file begins with the line ``# zerobeat sha256=...`` over every byte after it, and goes on
with the line of its format (``config.file_format``), which is no part of its content. A JSON file
holds ``sha256`` over the bytes of its ``content``. Both stay readable by anything that reads YAML
or JSON.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from ..config.faults import Faults
from ..config.file_format import HEAD_BYTES, YAML_LINE, newer_json, newer_yaml
from ..config.yaml_source import parse_yaml, read_bytes
from ..errors import ConfigError

_YAML_HEAD = b"# zerobeat sha256="
_JSON_HEAD = b'{"sha256": "'
_JSON_MIDDLE = b'",\n"content":\n'
_JSON_END = b"}\n"
_CHECKSUM = re.compile(
    rb"[^\n]{0,40}[0-9a-f]{64}"
)  # also where the line was damaged, or saved again by an editor
_WRONG = {
    ".json": "its checksum is wrong",
    ".yaml": "its checksum is wrong: damaged, or edited (to keep an edit, delete the first line)",
}

Condition = Literal["whole", "own", "newer", "damaged", "unreadable", "missing"]


@dataclass(frozen=True, slots=True)
class Examined:
    """The content of one file, and whether it is intact.

    Args:
        path: the file.
        state: ``own`` has no checksum, so the player wrote it; ``newer`` is of a format that only
            a later version reads.
        content: what it holds, without the checksum and the format.
        why: why a load does not use it; "" if it does.
    """

    path: Path
    state: Condition
    content: bytes = b""
    why: str = ""

    @property
    def worth_keeping(self) -> bool:
        """True unless the file is empty, torn or damaged. No YAML is parsed for this."""
        if self.state == "own":
            return bool(self.content.strip()) and b"\0" not in self.content
        return self.state in ("whole", "newer")

    @property
    def is_valid(self) -> bool:
        """True if a load may use this file."""
        return self.state == "whole" or (self.state == "own" and self.reads)

    @property
    def reads(self) -> bool:
        """True if the content is a mapping in its language."""
        if self.path.suffix == ".json":
            try:
                return isinstance(json.loads(self.content), dict)
            except (ValueError, RecursionError):
                return False
        faults = Faults()
        return parse_yaml(self.content, "", faults) is not None and not faults.problems


def seal(content: bytes, suffix: str = ".yaml") -> bytes:
    """Return the bytes of a file with this content: checksum and format put in.

    A JSON content brings its format itself, as the key ``format``.
    """
    return _with_checksum(content if suffix == ".json" else YAML_LINE + content, suffix)


def yaml_checksum(content: bytes) -> str:
    """Return the checksum that the file with this content carries, in hexadecimal digits."""
    return hashlib.sha256(YAML_LINE + content).hexdigest()


def _with_checksum(body: bytes, suffix: str) -> bytes:
    checksum = hashlib.sha256(body).hexdigest().encode()
    if suffix == ".json":
        return _JSON_HEAD + checksum + _JSON_MIDDLE + body + _JSON_END
    return _YAML_HEAD + checksum + b"\n" + body


def newer_format(path: Path) -> str:
    """Return why only a later version reads a file; "" if this one does, or there is none."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        return _newer(os.read(handle, HEAD_BYTES), path.suffix)
    except OSError:
        return ""
    finally:
        os.close(handle)


def _newer(raw: bytes, suffix: str) -> str:
    return newer_json(raw) if suffix == ".json" else newer_yaml(raw)


def examine(path: Path) -> Examined:
    """Read a file and check its checksum and format; never raises."""
    if not os.path.lexists(path):
        return Examined(path, "missing", why="missing")
    try:
        raw = read_bytes(path)
    except ConfigError as error:
        return Examined(path, "unreadable", why=str(error).removeprefix(f"{path}: "))
    head = _JSON_HEAD if path.suffix == ".json" else _YAML_HEAD
    if head.startswith(raw):
        return Examined(path, "damaged", why="cut short" if raw else "empty")
    newer = _newer(raw, path.suffix)
    if newer:  # whatever its checksum: a later version may have another one
        return Examined(path, "newer", raw, newer)
    if not raw.startswith(head) and not _CHECKSUM.match(raw):
        return Examined(path, "own", raw.removeprefix(YAML_LINE), "its text cannot be read")
    if path.suffix == ".json":
        body = raw.partition(_JSON_MIDDLE)[2].removesuffix(_JSON_END)
    else:
        body = raw.partition(b"\n")[2]
    content = body.removeprefix(YAML_LINE)
    if raw == _with_checksum(body, path.suffix):
        return Examined(path, "whole", content)
    return Examined(path, "damaged", content, _WRONG.get(path.suffix, _WRONG[".yaml"]))
