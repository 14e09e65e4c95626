"""Pages: the rows of a damaged SQLite file, found page by page without its index or its schema."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from probes.book.seal import Value

__all__ = ["MAGIC", "Record", "find_records"]

Record = tuple[int, list[Value]]
"""Number of a row and its values in the order of the columns."""

MAGIC = b"SQLite format 3\0"
"""How every such file begins."""

_LEAF = 0x0D
"""First byte of a page that holds rows of a table."""

_HEADER = 100
"""Bytes of the file's header, on the first page."""

_SIZES = tuple(1 << power for power in range(9, 17))
_USUAL_SIZE = 4096
_BIG_ENDIAN = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""Bytes of a whole number by its serial type."""


@dataclass(frozen=True)
class _Pages:
    size: int
    pages: dict[int, bytes]


def find_records(data: bytes, log: bytes = b"") -> Iterator[Record]:
    """Find all rows that can be read.

    Parameters
    ----------
    data : bytes
        The file.
    log : bytes
        The write-ahead log beside it.

    Yields
    ------
    Record
        Rows of any table; whether one is what was written is for the caller to tell.

    References
    ----------
    SQLite, Database File Format, sections 1.3 (header), 1.6 (B-tree pages), 2.1 (records) and
    4 (write-ahead log): https://www.sqlite.org/fileformat2.html
    """
    file = _pages(data, log)
    for number, page in sorted(file.pages.items()):
        start = _HEADER if number == 1 else 0
        if len(page) < start + 8 or page[start] != _LEAF:
            continue
        (cells,) = struct.unpack_from(">H", page, start + 3)
        for k in range(min(cells, file.size // 4)):
            try:
                (at,) = struct.unpack_from(">H", page, start + 8 + 2 * k)
                yield _record(file, page, at)
            except (struct.error, IndexError, ValueError, KeyError):
                continue  # a damaged row


def _pages(data: bytes, log: bytes) -> _Pages:
    (said,) = struct.unpack_from(">H", data.ljust(_HEADER, b"\0"), 16)
    size = 65536 if said == 1 else said
    if size not in _SIZES or not data.startswith(MAGIC):
        size = _USUAL_SIZE
    pages = {1 + at // size: data[at : at + size] for at in range(0, len(data), size)}
    pages |= _committed(log, size)
    return _Pages(size, pages)


def _committed(log: bytes, size: int) -> dict[int, bytes]:
    """Give the newest committed pages of the log."""
    committed: dict[int, bytes] = {}
    pending: dict[int, bytes] = {}
    salts = log[16:24]
    for at in range(32, len(log) - 24 - size + 1, 24 + size):
        number, pages_after = struct.unpack_from(">II", log, at)
        if log[at + 8 : at + 16] != salts:
            break  # left over from before the log was begun anew
        pending[number] = log[at + 24 : at + 24 + size]
        if pages_after:  # the last frame of a commit says how long the file is then
            committed |= pending
            pending = {}
    return committed


def _record(file: _Pages, page: bytes, at: int) -> Record:
    length, at = _varint(page, at)
    number, at = _varint(page, at)
    payload = _payload(file, page, at, length)
    head, place = _varint(payload, 0)
    values: list[Value] = []
    body = head
    while place < head:
        kind, place = _varint(payload, place)
        value, body = _value(payload, kind, body)
        values.append(value)
    return number, values


def _payload(file: _Pages, page: bytes, at: int, length: int) -> bytes:
    """Give what a row holds, with what went to further pages."""
    size = file.size
    if length <= size - 35:
        return _cut(page, at, length)
    least = (size - 12) * 32 // 255 - 23
    here = least + (length - least) % (size - 4)
    if here > size - 35:
        here = least
    if length > size * len(file.pages):
        raise ValueError(length)
    parts = [_cut(page, at, here)]
    (following,) = struct.unpack_from(">I", page, at + here)
    left = length - here
    for _ in range(len(file.pages)):
        if left <= 0:
            break
        further = file.pages[following]
        (following,) = struct.unpack_from(">I", further)
        parts.append(_cut(further, 4, min(left, size - 4)))
        left -= size - 4
    return b"".join(parts)


def _value(payload: bytes, kind: int, at: int) -> tuple[Value, int]:
    """Read a value of a serial type, and say where the next one begins."""
    if kind == 0:
        return None, at
    if kind in _BIG_ENDIAN:
        end = at + _BIG_ENDIAN[kind]
        return int.from_bytes(_cut(payload, at, end - at), "big", signed=True), end
    if kind == 7:
        return float(struct.unpack_from(">d", payload, at)[0]), at + 8
    if kind in (8, 9):
        return kind - 8, at
    if kind < 12:
        raise ValueError(kind)
    length = (kind - 12) // 2
    data = _cut(payload, at, length)
    return (data.decode() if kind % 2 else data), at + length


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for k in range(8):
        byte = data[at + k]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + k + 1
    return value << 8 | data[at + 8], at + 9


def _cut(data: bytes, at: int, length: int) -> bytes:
    part = data[at : at + length]
    if len(part) != length:
        raise IndexError(at)
    return part
