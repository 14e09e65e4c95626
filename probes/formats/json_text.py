"""JSON: x, y and a matrix z, or a list of points, with what belongs to the run beside them."""

import difflib
from collections.abc import Iterable
from typing import Any

import msgspec
import numpy as np

from probes.errors import ReadError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.options import ReadOptions
from probes.formats.remarks import remark_value
from probes.formats.source import Source
from probes.run import Floats, Run
from probes.units import unit_name

__all__ = ["ENDINGS", "NAME", "dump", "look", "parse"]

NAME = "json"
ENDINGS = (".json",)

_Number = float | int | None
_PER_TOUCH = ("touch", "minutes", "bed", "chamber", "ambient")


class _Content(msgspec.Struct, kw_only=True):
    """What such a file may hold; other keys are the user's own."""

    points: list[tuple[_Number, _Number, _Number]] | None = None
    x: list[_Number] | None = None
    y: list[_Number] | None = None
    z: list[list[_Number] | _Number] | None = None
    unit: str | None = None
    touch: list[float] | None = None
    minutes: list[float] | None = None
    bed: list[float] | float | None = None
    chamber: list[float] | float | None = None
    ambient: list[float] | float | None = None
    started: str | None = None
    plate: str | None = None
    note: str | None = None


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source starts like a JSON object."""
    if options.line or not source.is_text:
        return Match.NO
    return Match.YES if source.data.lstrip()[:1] == b"{" else Match.NO


def parse(source: Source, options: ReadOptions) -> Readings:  # noqa: ARG001 - as every format
    """Read the object.

    Raises
    ------
    ReadError
        If it is no such object, or its lengths do not go together.
    """
    data = source.data.decode(source.encoding, "replace").encode()
    try:
        content = msgspec.json.decode(data, type=_Content)
        _check_keys(msgspec.json.decode(data, type=dict[str, msgspec.Raw]), source)
        x, y, z = _spots(content, source)
    except msgspec.DecodeError as fault:
        raise ReadError(f"{source.name}: is not valid JSON for a run: {fault}") from None
    except RecursionError:
        raise ReadError(f"{source.name}: is not valid JSON for a run: nested too deep") from None
    except OverflowError:
        raise ReadError(f"{source.name}: holds a number that is too large for a reading") from None
    if not np.isfinite(np.concatenate((x, y))).all():
        raise ReadError(f"{source.name}: an x or y is null; every place needs both")
    probed = np.isfinite(z)
    extra: dict[str, Any] = {}
    about: dict[str, Any] = {"plate": content.plate, "note": content.note}
    for name in _PER_TOUCH:
        value = getattr(content, name)
        if isinstance(value, list):
            if len(value) != len(z):
                raise ReadError(
                    f"{source.name}: {name} has {len(value)} values for {len(z)} heights; "
                    "give one for each"
                )
            extra[name] = np.array(value, dtype=np.float64)[probed]
        elif value is not None:
            about[name] = value
    if content.started:
        about["started"] = remark_value("started", content.started, f"{source.name}: started: ")
    units = {}
    if content.unit:
        units["z"] = unit_name(content.unit, where=f"{source.name}: ")
    return Readings(
        x[probed],
        y[probed],
        z[probed],
        units=units,
        extra=extra,
        about={name: value for name, value in about.items() if value is not None},
        holes=int((~probed).sum()),
    )


def _check_keys(keys: Iterable[str], source: Source) -> None:
    """Refuse keys that are nearly ours: passing over "units" could make heights a thousand times
    too large.
    """  # noqa: D205
    known = _Content.__struct_fields__
    for key in keys:
        near = difflib.get_close_matches(key.lower(), known, 1, 0.8)
        if key not in known and "unit" in key.lower():
            near = ["unit"]
        if key not in known and near:
            raise ReadError(f"{source.name}: key {key!r} is not known; did you mean {near[0]}?")
        if key.lower() == "high":
            raise ReadError(f"{source.name}: key {key!r} is not known; say --high down or up")


def _spots(content: _Content, source: Source) -> tuple[Floats, Floats, Floats]:
    if content.points is not None:
        points = np.array(content.points, dtype=np.float64).reshape(-1, 3)
        return points[:, 0], points[:, 1], points[:, 2]
    if content.x is None or content.y is None or content.z is None:
        raise ReadError(
            f"{source.name}: holds neither points [[x, y, z], ...] nor x, y and z; give one of them"
        )
    x, y = np.array(content.x, dtype=np.float64), np.array(content.y, dtype=np.float64)
    try:
        z = np.array(content.z, dtype=np.float64)
    except ValueError:
        raise ReadError(f"{source.name}: the rows of z differ in length") from None
    if z.ndim == 1:
        if not len(x) == len(y) == len(z):
            raise ReadError(
                f"{source.name}: x, y and z hold {len(x)}, {len(y)} and {len(z)} values; "
                "give as many of each, or z as a list of rows"
            )
        return x, y, z
    if z.shape != (len(y), len(x)):
        raise ReadError(
            f"{source.name}: z has {z.shape[0]} rows of {z.shape[1]} for {len(y)} values of y and "
            f"{len(x)} of x; give a row for each y and a height for each x"
        )
    across, along = np.meshgrid(x, y)
    return across.ravel(), along.ravel(), z.ravel()


def dump(run: Run, ending: str) -> bytes:  # noqa: ARG001 - as every format
    """Write a run touch by touch, so that it reads back the same to the last bit."""
    content: dict[str, Any] = {"unit": "mm"}
    if run.started is not None:
        content["started"] = run.started.isoformat()
    content |= {name: getattr(run, name) for name in ("plate", "note") if getattr(run, name)}
    for name in _PER_TOUCH:
        values = getattr(run, name)
        if values is not None:
            content[name] = values.tolist()
    content["points"] = list(zip(run.x.tolist(), run.y.tolist(), run.z.tolist(), strict=True))
    return msgspec.json.encode(content) + b"\n"
