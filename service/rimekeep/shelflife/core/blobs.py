"""Doubles as bytes, least byte first, whatever the machine."""

from collections.abc import Iterable

import numpy as np

from rimekeep.shelflife.core.kinetics import FloatArray


def to_bytes(values: FloatArray) -> bytes:
    """Return an array's doubles in row order."""
    return np.ascontiguousarray(values, dtype="<f8").tobytes()


def from_bytes(stored: bytes | Iterable[bytes], width: int) -> FloatArray:
    """Return the rows of stored doubles, shape (n, width)."""
    joined = stored if isinstance(stored, bytes) else b"".join(stored)
    return np.frombuffer(joined, dtype="<f8").astype(np.float64).reshape(-1, width)
