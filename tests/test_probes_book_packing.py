from dataclasses import fields
from datetime import UTC, datetime

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from probes.book import open_book
from probes.book.packing import MEASURED, pack, pack_run, touches_digest, unpack, unpack_run
from probes.book.seal import is_sealed, seal
from probes.run import Run

heights = st.floats(-1e9, 1e9)
temperatures = st.floats(allow_nan=True)
words = st.text(st.characters(exclude_categories=["Cs"]))
texts = st.none() | words


@st.composite
def runs(draw):
    count = draw(st.integers(1, 6))

    def values(of):
        return arrays(np.float64, count, elements=of)

    return Run(
        draw(values(heights)), draw(values(heights)), draw(values(heights)),
        started=draw(st.none() | st.datetimes(datetime(1980, 1, 1), timezones=st.just(UTC))),
        plate=draw(texts), note=draw(texts), source=draw(words),
        format="columns", passed_over=draw(st.integers(0, 2**40)), holes=draw(st.integers(0, 9)),
        warnings=tuple(draw(st.lists(st.text(max_size=5), max_size=2))),
        **{name: draw(st.none() | values(temperatures)) for name in MEASURED[3:]},
    )  # fmt: skip


def bits(run: Run) -> dict[str, object]:
    """All fields; numbers by their bits, where any NaN is one."""
    return {
        field.name: np.where(np.isnan(value), np.nan, value).tobytes()
        if isinstance(value := getattr(run, field.name), np.ndarray)
        else value
        for field in fields(Run)
    }


@given(runs())
def test_run_comes_back_to_the_last_bit(run):
    kept = unpack_run(pack_run(run, datetime.now(UTC)))
    warnings = tuple(text.encode("utf-8", "backslashreplace").decode() for text in run.warnings)
    assert bits(kept) == bits(run.replace(warnings=warnings))


def test_run_comes_back_from_the_file(tmp_path):
    odd = [0.1, -0.0, 5e-324, np.nextafter(0.3, 1), -1e9]
    temperatures = [np.nan, np.inf, -np.inf, 20.0, -0.0]
    run = Run(odd, odd[::-1], odd, minutes=range(5), bed=temperatures, touch=[1, 2, 1, 1, 1],
              warnings=("one", "two"), note="two\nlines", passed_over=3, holes=2)  # fmt: skip
    with open_book(tmp_path / "book.db") as book:
        book.add_run(run)
    with open_book(tmp_path / "book.db") as book:
        assert bits(book.run(1)) == bits(run)


def test_packing_is_ieee_754_little_endian():
    # IEEE 754 binary64: 1.0 is 3FF0 0000 0000 0000, -2.0 is C000 0000 0000 0000
    assert pack(np.array([1.0, -2.0])) == bytes.fromhex("000000000000f03f00000000000000c0")
    assert unpack(bytes.fromhex("000000000000f03f")) == 1.0


@given(runs(), st.sampled_from(MEASURED), st.data())
def test_digest_sees_every_bit(run, name, data):
    row = pack_run(run, datetime.now(UTC))
    assert touches_digest(row) == row["digest"]
    if row[name] is None:
        return
    packed = bytearray(row[name])
    bit = data.draw(st.integers(0, 8 * len(packed) - 1))
    packed[bit // 8] ^= 1 << bit % 8
    assert touches_digest(row | {name: bytes(packed)}) != row["digest"]


values = st.none() | st.integers() | st.floats(allow_nan=False) | st.text() | st.binary()
plain = values.filter(lambda value: not isinstance(value, str) or value.isascii())
rows = st.dictionaries(st.sampled_from("abcd"), plain)


@given(rows, rows)
def test_only_equal_rows_have_one_seal(one, other):
    def told(row):
        return {(name, type(value), repr(value)) for name, value in row.items()
                if value is not None}  # fmt: skip

    assert (seal(one) == seal(other)) == (told(one) == told(other))
    assert is_sealed(one | {"seal": seal(one)})
    assert not is_sealed(one)


def test_values_do_not_run_into_each_other():
    assert seal({"a": "1", "b": "2"}) != seal({"a": "12", "b": ""})
    assert seal({"a": "1"}) != seal({"a": 1})
    assert seal({"a": 1.0}) != seal({"a": 1})
