"""Coverage-guided fuzzing of every reader: only the documented faults may come out.

Run by hand for ten minutes: ``python tests/fuzz_formats.py 600``. It needs the package atheris,
and starts from the files of tests/data/runs.
"""

import io
import os
import sys
import tempfile
import tracemalloc
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["probes", "defusedxml", "zipfile"]):
    from probes import PlanishError, ReadOptions, read_run
    from probes.formats import FORMATS

RUNS = Path(__file__).parent / "data" / "runs"
OPTIONS = [
    ReadOptions(),
    ReadOptions(x=(0.0, 100.0), y=(0.0, 50.0)),
    ReadOptions(line="{skip}x{skip}{x}{skip}{y}{skip}{z}"),
    ReadOptions(unit="thou", high="down"),
    # VTK runs in a process of its own, which is too slow to fuzz; its refusals are tested
    *(ReadOptions(format=name) for name in FORMATS if name != "vtk"),
]
SPARE = 50_000_000


def read_once(data: bytes) -> None:
    """Read one source; anything but a documented fault is a finding."""
    if not data:
        return
    options = OPTIONS[data[0] % len(OPTIONS)]
    source = data[1:]
    if source.lstrip()[:8].startswith((b"# vtk", b"ply", b"<VTK", b"<?xml")):
        return
    tracemalloc.start()
    try:
        run = read_run(io.BytesIO(source), options)
        len(run.places)
    except PlanishError as fault:
        if "\n" in str(fault):
            raise ValueError(f"more than one line: {fault}") from fault
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 4 * len(source) + SPARE, peak


def main() -> None:
    """Fuzz for the seconds given, from the corpus of run files."""
    seconds = sys.argv[1] if len(sys.argv) > 1 else "30"
    with tempfile.TemporaryDirectory() as corpus:
        for number, path in enumerate(sorted(RUNS.iterdir())):
            for option in (0, 1, 2, 3 + number % (len(OPTIONS) - 3)):
                Path(corpus, f"{number}-{option}").write_bytes(bytes([option]) + path.read_bytes())
        # the fuzzer's own books grow; what a reading takes is measured above
        os.chdir(corpus)  # what a finding leaves goes with the corpus, its bytes are printed
        atheris.Setup(
            [sys.argv[0], f"-max_total_time={seconds}", "-timeout=10", "-rss_limit_mb=0",
             "-max_len=4096", "-print_final_stats=1", corpus],
            read_once,
        )  # fmt: skip
        atheris.Fuzz()


if __name__ == "__main__":
    main()
