"""Reads WAV files of the usual formats, with numpy only.

Source: Microsoft, "Multimedia Programming Interface and Data Specifications
1.0" (1991) for RIFF and the format chunk; "Multiple Channel Audio Data and WAVE
Files" (2001) for WAVE_FORMAT_EXTENSIBLE.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...errors import MeasureError

LARGEST_WAV_BYTES = 2_000_000_000
PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE


@dataclass(frozen=True, slots=True)
class Recording:
    """Samples of shape (n, channels), full scale 1.0, and their rate."""

    samples: NDArray[np.float64]
    sample_rate_hz: int


def read_wav(path: Path) -> Recording:
    """Return a WAV file: 8, 16, 24 or 32 bit whole numbers, 32 or 64 bit floats.

    Raises:
        MeasureError: the file can't be read, or its format is not one of these.
    """
    try:
        if path.exists() and not path.is_file():
            raise MeasureError(f"{path}: found a folder, pipe or device; allowed: a WAV file")
        if path.stat().st_size > LARGEST_WAV_BYTES:
            raise MeasureError(f"{path}: found more than 2 GB; allowed: up to 2 GB")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise MeasureError(f"{path}: cannot be read: {reason}") from None
    if content[:4] not in (b"RIFF", b"RF64") or content[8:12] != b"WAVE":
        raise MeasureError(f"{path}: found no WAV file; allowed: WAV, 16 to 32 bits or float")
    form, body = _chunks(path, content)
    kind, channels, rate, _, frame, bits = struct.unpack_from("<HHIIHH", form)
    if kind == EXTENSIBLE and len(form) >= 26:
        kind = struct.unpack_from("<H", form, 24)[0]
    if not channels or not rate or frame != channels * bits // 8:
        raise MeasureError(f"{path}: found a broken format; record it again")
    samples = _decoded(path, kind, bits, body[: len(body) // frame * frame])
    if not np.all(np.isfinite(samples)):
        raise MeasureError(f"{path}: found samples that are no numbers; record it again")
    return Recording(samples.reshape(-1, channels), rate)


def _chunks(path: Path, content: bytes) -> tuple[bytes, bytes]:
    """Return the format chunk and the samples; a length past the end is cut to the file."""
    form = body = None
    at = 12
    while at + 8 <= len(content) and body is None:
        name, size = content[at : at + 4], struct.unpack_from("<I", content, at + 4)[0]
        inside = content[at + 8 : at + 8 + size]
        if name == b"fmt ":
            form = inside
        elif name == b"data":
            body = inside
        at += 8 + size + size % 2
    if form is None or len(form) < 16 or body is None:
        raise MeasureError(f"{path}: found no format or no samples in it; record it again")
    return form, body


def _decoded(path: Path, kind: int, bits: int, body: bytes) -> NDArray[np.float64]:
    if kind == FLOAT and bits in (32, 64):
        return np.frombuffer(body, f"<f{bits // 8}").astype(float)
    if kind == PCM and bits == 8:
        return (np.frombuffer(body, np.uint8).astype(float) - 128.0) / 128.0
    if kind == PCM and bits in (16, 32):
        return np.frombuffer(body, f"<i{bits // 8}").astype(float) / 2.0 ** (bits - 1)
    if kind == PCM and bits == 24:
        wide = np.zeros((len(body) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(body, np.uint8).reshape(-1, 3)
        return wide.view("<i4").ravel().astype(float) / 2.0**31
    raise MeasureError(
        f"{path}: found WAV of kind {kind} with {bits} bits; allowed: 8, 16, 24, 32 bits or float"
    )
