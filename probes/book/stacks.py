"""Stacks: the heights of many runs, read quickly."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from probes.book.packing import unpack
from probes.book.records import Stack
from probes.book.store import Store

__all__ = ["read_stacks"]

LARGEST = 1_000_000
"""Touches after which a stack ends, so that a long history does not fill the memory."""


def read_stacks(store: Store) -> Iterator[Stack]:
    """Read the runs in time; those next to each other at the same positions in one piece."""
    rows: list[tuple[Any, ...]] = []
    touches = 0
    for row in store.each("SELECT id, moment, x, y, z FROM run ORDER BY moment, id"):
        if rows and (row[2] != rows[0][2] or row[3] != rows[0][3] or touches > LARGEST):
            yield _stack(rows)
            rows, touches = [], 0
        rows.append(row)
        touches += len(row[4]) // 8
    if rows:
        yield _stack(rows)


def _stack(rows: list[tuple[Any, ...]]) -> Stack:
    ids, moments, xs, ys, zs = zip(*rows, strict=True)
    return Stack(
        ids, np.array(moments), unpack(xs[0]), unpack(ys[0]),
        unpack(b"".join(zs)).reshape(len(rows), -1),
    )  # fmt: skip
