"""Reading takes no more than four times the file's size in memory, plus 50 MB."""

import io
import tracemalloc

import pytest

from probes import ReadOptions, Run, dump_run, read_run

COUNT = 150_000
SPARE = 50_000_000


def columns():
    return "x,y,z\n" + "".join(f"{k % 300},{k // 300},{k * 7 % 100 / 1000}\n" for k in range(COUNT))


SOURCES = {
    "columns": (columns, {}),
    "columns with decimal commas": (lambda: columns().replace(",", ";").replace(".", ","), {}),
    "matrix": (
        lambda: "\n".join(" ".join(f"{k * j % 7 / 8}" for k in range(400)) for j in range(400)),
        {"x": (0.0, 300.0), "y": (0.0, 300.0)},
    ),
    "captured": (
        lambda: "".join(f"at x {k % 300} y {k // 300} z 0.{k % 97:03}\n" for k in range(COUNT)), {},
    ),
    "captured by a template": (
        lambda: "".join(f"at {k % 300}/{k // 300} -> 0.{k % 97:03}\n" for k in range(COUNT)),
        {"line": "at {x}/{y} -> {z}"},
    ),
    "json": (
        lambda: dump_run(
            Run(x=range(COUNT // 2), y=[0] * (COUNT // 2), z=[0.125] * (COUNT // 2)), ".json"
        ).decode(),
        {},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SOURCES)
def test_memory_is_bounded(name):
    make, options = SOURCES[name]
    data = make().encode()
    stream = io.BytesIO(data)
    tracemalloc.start()
    run = read_run(stream, ReadOptions(**options))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(run) > 70_000
    # the spare is for small files; here only a part of it is given, as the files are small
    assert peak < 4 * len(data) + SPARE / 3
