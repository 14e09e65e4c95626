import pytest

from probes import ReadError
from probes.units import mm_per, position_unit, unit_name


@pytest.mark.parametrize(
    ("unit", "mm"),
    # the inch is 25.4 mm exactly (ISO 31-1, annex A)
    [
        ("mm", 1),
        ("um", 0.001),
        ("in", 25.4),
        ("thou", 0.0254),
        ("uin", 25.4e-6),
        ("MM", 1),
        ("µm", 0.001),
    ],
)
def test_millimetres(unit, mm):
    assert mm_per(unit) == pytest.approx(mm, rel=1e-15)


def test_unknown_unit_offers_the_known():
    with pytest.raises(ReadError, match="unit 'furlong' is not known; use one of mm, um, in"):
        unit_name("furlong")


def test_positions_go_with_heights():
    assert [position_unit(unit) for unit in ("mm", "um", "in", "thou", "uin")] == [
        "mm", "mm", "in", "in", "in",
    ]  # fmt: skip
