import pytest
from cases import table

from mesh.limits import grade_limits, grades_met
from probes import ShapeError


def limits(standard, width, depth):
    return {g.name: g.limit * 1e3 for g in grade_limits(width, depth) if g.standard == standard}


@pytest.mark.parametrize("row", table("iso8512_2_table1.csv"), ids=lambda row: row["length_mm"])
def test_every_value_of_the_iso_table(row):
    # ISO 8512-2:1990 Table 1: printed to 0.5 um for grade 0 and to 1 um for the others
    found = limits("ISO 8512-2", float(row["length_mm"]), float(row["width_mm"]))
    for grade, step in (("0", 0.5), ("1", 1), ("2", 1), ("3", 1)):
        assert found[grade] == pytest.approx(float(row[f"calc{grade}"]), abs=1e-9)
        assert abs(found[grade] - float(row[f"t{grade}_um"])) <= step / 2 + 1e-9


@pytest.mark.parametrize("row", table("din876.csv"), ids=lambda row: row["L_mm"])
def test_din_table(row):
    found = limits("DIN 876", float(row["L_mm"]), 100)
    for grade in "0123":
        assert found[grade] == pytest.approx(float(row[f"g{grade}"]), abs=1e-9)


def test_din_grade_00():
    # 2 (1 + L / 1000) um; value from memory
    assert limits("DIN 876", 500, 300)["00"] == pytest.approx(3.0)


@pytest.mark.parametrize(
    "row", table("ggg_p_463c_table.csv"), ids=lambda row: f"{row['w_in']} x {row['l_in']}"
)
def test_federal_formula_in_inches(row):
    found = limits("GGG-P-463c", float(row["w_in"]) * 25.4, float(row["l_in"]) * 25.4)
    assert found["AA"] / 0.0254 == pytest.approx(float(row["AA_formula_uin"]), abs=5e-3)
    assert found["A"] == pytest.approx(2 * found["AA"])
    assert found["B"] == pytest.approx(4 * found["AA"])
    # the printed table is its formula rounded to 25 uin, up or down
    assert abs(found["AA"] / 0.0254 - float(row["AA_table_uin"])) <= 25


def test_grades_met():
    fine = dict(zip(("iso", "din", "ggg"), grades_met(0.0045, 400, 250), strict=True))
    assert (fine["iso"][0].name, fine["iso"][1]) == ("1", None)
    coarse, times = grades_met(0.32, 400, 250)[0]
    assert (coarse.name, times) == ("3", pytest.approx(0.32 / 0.032))


@pytest.mark.parametrize("size", [(0, 100), (100, -1), (float("inf"), 1), (float("nan"), 1)])
def test_what_is_no_plate_is_refused(size):
    with pytest.raises(ShapeError, match="has no grade; give both sides in mm"):
        grade_limits(*size)
