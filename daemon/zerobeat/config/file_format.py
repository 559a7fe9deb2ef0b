"""The format number of the files that the daemon writes.

A YAML file carries it in a comment, ``# zerobeat format=1``, as its first line, or as the second
below the checksum; the session as the key ``format``; a backup in the comment of its tar header.
A file without a number is of the first format: those of 0.1.0, and all that a player writes.

The number only rises when an older program would misread the file. Such a program refuses it by
name and does not write over it.
"""

from __future__ import annotations

import re

FORMAT = 1
YAML_LINE = b"# zerobeat format=%d\n" % FORMAT
BACKUP_COMMENT = f"zerobeat format={FORMAT}"
HEAD_BYTES = 400  # the number stands within so many bytes of a file

_IN_YAML = re.compile(rb"\A(?:[^\n]*\n)?# zerobeat format=([0-9]{1,9})\s*$", re.MULTILINE)
_IN_JSON = re.compile(rb'[{,\n]\s*"format":\s*([0-9]{1,9})\b')
_IN_COMMENT = re.compile(rb"\Azerobeat format=([0-9]{1,9})\b")


def newer_yaml(raw: bytes) -> str:
    """Return why a YAML file's beginning shows a format that is not read here; "" if it is read."""
    return _newer(_IN_YAML, raw)


def newer_json(raw: bytes) -> str:
    """As ``newer_yaml``, for a JSON file."""
    return _newer(_IN_JSON, raw)


def newer_backup(comment: str) -> str:
    """As ``newer_yaml``, for the comment in a backup's header."""
    return _newer(_IN_COMMENT, comment.encode())


def _newer(pattern: re.Pattern[bytes], raw: bytes) -> str:
    found = pattern.search(raw[:HEAD_BYTES])
    if found is None or int(found[1]) <= FORMAT:
        return ""
    what = f"format {int(found[1])} is newer than this zerobeat reads ({FORMAT})"
    return f"{what}: upgrade, or restore an older file"
