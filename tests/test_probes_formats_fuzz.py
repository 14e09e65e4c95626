"""Mutated run files: only the documented faults come out of any reader."""

import io

from cases import DATA
from hypothesis import given, settings
from hypothesis import strategies as st

from probes import PlanishError, ReadOptions, Run, read_run
from probes.formats import FORMATS

FILES = sorted(path for path in (DATA / "runs").iterdir() if not path.name.startswith("mesh"))
WORDS = [
    b",", b";", b"\t", b"\n", b"-", b"nan", b"inf", b"1e999", b"#", b'"', b"*", b"{", b"]", b"x",
    b"0", b"9" * 400, b"\xff", b"\0", b" ", b":", b"\xe2\x88\x92", b"[", b"=", b"(in)",
]  # fmt: skip


@st.composite
def mutated(draw):
    data = bytearray(draw(st.sampled_from(FILES)).read_bytes())
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(data)))
        until = min(len(data), at + draw(st.integers(0, 12)))
        data[at:until] = draw(st.sampled_from(WORDS) | st.binary(max_size=4))
    return bytes(data)


OPTIONS = st.sampled_from(
    [
        ReadOptions(),
        ReadOptions(x=(0.0, 9.0), y=(0.0, 9.0), rows="back-first"),
        ReadOptions(line="{skip}{x}{skip}{y}{skip}{z}"),
        ReadOptions(unit="in"),
        *(ReadOptions(format=name) for name in FORMATS if name != "vtk"),
    ]
)


def read_once(data, options):
    try:
        run = read_run(io.BytesIO(data), options)
    except PlanishError as fault:
        assert "\n" not in str(fault).strip()  # noqa: PT017
        assert len(str(fault)) < 600  # noqa: PT017
    else:
        assert isinstance(run, Run)
        assert len(run.places) >= 1


@settings(max_examples=3000)
@given(mutated(), OPTIONS)
def test_mutated_files(data, options):
    read_once(data, options)


@settings(max_examples=400)
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode), OPTIONS)
def test_anything_at_all(data, options):
    read_once(data, options)
