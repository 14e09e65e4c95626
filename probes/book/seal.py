"""The seal of a row: a digest by which damage to it shows."""

import struct
from collections.abc import Mapping
from hashlib import sha256

__all__ = ["Value", "is_sealed", "seal"]

Value = int | float | str | bytes | None
"""What a row may hold."""


def seal(row: Mapping[str, Value]) -> str:
    """Give the SHA-256 over the names and values of a row, without its own seal.

    What is None does not count, so that a column that comes later breaks no seal.

    Examples
    --------
    >>> seal({"id": 1, "text": "new plate"}) == seal({"id": 1, "text": "new plate", "run": None})
    True
    >>> seal({"id": 1, "text": "new plate"}) == seal({"id": 1, "text": "new plats"})
    False
    """
    digest = sha256()
    for name in sorted(row):
        value = row[name]
        if value is None or name == "seal":
            continue
        data = _bytes(value)
        # lengths keep one value from running into the next
        kind = type(value).__name__
        digest.update(f"{name} {kind} {len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


def is_sealed(row: Mapping[str, Value]) -> bool:
    """Tell whether a row is what it was when it was written."""
    return row.get("seal") == seal(row)


def _bytes(value: Value) -> bytes:
    if isinstance(value, bytes):
        return value
    if isinstance(value, float):
        return struct.pack("<d", value)
    return str(value).encode()
