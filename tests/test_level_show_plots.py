"""The flat map: a sound SVG that holds the bed, its places and its lifts, and no more."""

import re
import xml.etree.ElementTree as ET
from typing import Any

import msgspec
import numpy as np
import pytest

from level.check import Check, check_bed
from level.machine import Machine
from level.show.plots import flat_map
from level.show.relief import COLOURS
from level.simulator import BedShape, SimulatedMachine
from level.turns import TurnPlan, plan_turns
from probes.run import Run

SVG = "{http://www.w3.org/2000/svg}"
GRID = np.linspace(20.0, 330.0, 5)
SPOTS = {"front left": (-60, -10), "front right": (410, -10), "back": (175, 370)}


def plan_for(names: dict[str, tuple[float, float]]) -> tuple[Check, TurnPlan]:
    machine = msgspec.convert(
        {
            "bed": {"x": [0, 350], "y": [0, 350]},
            "limits": {"flatness": 0.12},
            "frame": {"carries": "bed"},
            "lift": [
                {"name": name, "x": x, "y": y, "screw": "M4", "raises": "counterclockwise"}
                for name, (x, y) in names.items()
            ],
        },
        Machine,
    )
    shape = BedShape((175, 175), (175, 175), fall_x=0.2, bowl_x=0.06, twist=0.02)
    heights = np.linspace(0.0, 0.6, len(names))
    run = SimulatedMachine(machine, shape, heights=heights, sigma=0.002).probe(GRID, GRID)
    return check_bed(run, machine), plan_turns(run, machine)


def scattered(n: int) -> Run:
    x, y = np.random.default_rng(3).uniform(0, 200, (2, n))
    return Run(x=x, y=y, z=0.05 * np.sin(x / 30) + 0.001 * y)


def words(svg: str) -> list[str]:
    return [text.text or "" for text in ET.fromstring(svg).iter(f"{SVG}text")]


def spots(svg: str, group: str) -> Any:
    """Give where the markers of a line stand, in points."""
    for part in ET.fromstring(svg).iter(f"{SVG}g"):
        if part.get("id") == group:
            return np.array(
                [(float(u.get("x", 0)), float(u.get("y", 0))) for u in part.iter(f"{SVG}use")]
            )
    raise AssertionError(group)


def test_map_is_sound_and_the_same_each_time() -> None:
    check, plan = plan_for(SPOTS)
    svg = flat_map(check, plan)
    assert svg == flat_map(check, plan)
    root = ET.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    named = {part.get("id") for part in root if part.tag in (f"{SVG}title", f"{SVG}desc")}
    assert set((root.get("aria-labelledby") or "").split()) == named
    assert "<metadata" not in svg
    assert "#01020" not in svg  # every stand-in has become the page's colour
    assert "currentColor" in svg


def test_map_names_lifts_turns_axes_and_limit() -> None:
    check, plan = plan_for(SPOTS)
    said = words(flat_map(check, plan))
    assert set(SPOTS) <= set(said)
    assert sum("clockwise" in word or word == "leave" for word in said) == 3
    assert any(word.startswith("x, mm") for word in said)
    assert any(word.startswith("y, mm") for word in said)
    assert any("limit 0.120 mm" in word for word in said)
    assert {"0", "-0.060", "+0.060"} <= set(said)


def test_places_lie_x_right_and_y_back_to_one_scale() -> None:
    check, plan = plan_for(SPOTS)
    svg = flat_map(check, plan)
    groups = re.findall(r'<g id="(line2d_\d+)">', svg)
    drawn = next(s for s in (spots(svg, g) for g in groups) if len(s) == 25)
    places = check.run.places
    right, up = drawn[:, 0] - drawn[0, 0], drawn[0, 1] - drawn[:, 1]
    scale = right.max() / np.ptp(places.x)
    assert right == pytest.approx((places.x - places.x[0]) * scale, abs=1e-3)
    assert up == pytest.approx((places.y - places.y[0]) * scale, abs=1e-3)


def test_fill_uses_the_one_colour_map() -> None:
    check, plan = plan_for(SPOTS)
    fills = set(re.findall(r"fill: (#[0-9a-f]{6})", flat_map(check, plan)))
    ends = [tuple(int(c[k : k + 2], 16) for k in (1, 3, 5)) for c in (COLOURS[0], COLOURS[-1])]
    near = [
        min(sum(abs(int(fill[k : k + 2], 16) - end[k // 2]) for k in (1, 3, 5)) for fill in fills)
        for end in ends
    ]
    assert max(near) < 60


@pytest.mark.parametrize(
    "run",
    [
        Run(x=[0, 200, 100], y=[0, 0, 150], z=[0, 0.1, 0.3]),
        Run(x=[0, 1, 0, 1], y=[0, 0, 300, 300], z=[0, 0, 0, 1]),
        Run(x=[0, 900, 0, 900], y=[0, 0, 2, 2], z=[5, 5, 5, 5]),
        scattered(40),
        scattered(2000),
    ],
    ids=["three", "tall", "wide and equal", "scattered", "many scattered"],
)
def test_runs_without_a_machine(run: Run) -> None:
    svg = flat_map(check_bed(run), None)
    root = ET.fromstring(svg)
    assert float((root.get("width") or "")[:-2]) == pytest.approx(374.4)
    assert 150 < float((root.get("height") or "")[:-2]) < 620
    assert len(svg) < 1_000_000
    assert not any("limit" in word for word in words(svg))


def test_many_places_do_not_fill_the_file() -> None:
    x, y = (values.ravel() for values in np.meshgrid(np.arange(300.0), np.arange(300.0)))
    noise = np.random.default_rng(4).normal(0, 0.002, len(x))
    svg = flat_map(check_bed(Run(x=x, y=y, z=0.05 * np.sin(x / 30) + noise), draws=0), None)
    assert "data:image/png;base64," in svg
    assert len(svg) < 600_000
    assert sum(1 for _ in ET.fromstring(svg).iter()) < 1000


def test_hole_is_blank() -> None:
    check, _ = plan_for(SPOTS)
    run = check.run
    kept = (np.abs(run.x - 175) > 1) | (np.abs(run.y - 175) > 1)
    whole, holed = (
        fill_area(flat_map(check_bed(Run(x=run.x[k], y=run.y[k], z=run.z[k])), None))
        for k in (kept | True, kept)
    )
    # a hole takes the half of each of the four cells round it, of sixteen
    assert holed / whole == pytest.approx(1 - 2 / 16, abs=0.01)


def fill_area(svg: str) -> float:
    """Add up the areas of the filled shapes of the map, holes less."""
    total = 0.0
    group = re.search(r'<g id="TriContourSet_1">(.*?)</g>', svg, re.DOTALL)
    assert group
    for shape in re.findall(r' d="([^"]*)"', group[1]):
        part = 0.0
        for ring in shape.split("M")[1:]:
            at = np.array([float(n) for n in re.findall(r"-?[\d.]+(?:e-?\d+)?", ring)])
            x, y = at.reshape(-1, 2).T
            part += (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2
        total += abs(part)
    return total


def test_names_of_any_kind_stay_inside() -> None:
    names = ["x" * 300, "خلف اليسار", "前左の" * 30, "<script>$a_b$ & co"]
    spots_ = [(0, 0), (350, 0), (350, 350), (0, 350)]
    check, plan = plan_for(dict(zip(names, spots_, strict=True)))
    svg = flat_map(check, plan)
    said = words(svg)
    assert "خلف اليسار" in said
    assert "<script>$a_b$ & co" in said
    assert "<script" not in svg
    assert max(len(word) for word in said) < 60
    # tags are the only round-cornered shapes: none may leave the figure
    boxes = [
        np.array([float(n) for n in re.findall(r"-?\d+\.?\d*", d)]).reshape(-1, 2)
        for d in re.findall(r' d="([^"]*Q[^"]*)"', svg)
    ]
    assert len(boxes) >= 4
    for box in boxes:
        assert box[:, 0].min() >= 0
        assert box[:, 0].max() <= 374.4


def test_tags_do_not_cover_one_another() -> None:
    names = {f"lift number {k}": (20.0 + 30 * k, -20.0) for k in range(10)}
    names["back"] = (100, 360)
    svg = flat_map(*plan_for(names))
    at = {
        (text.text or ""): (float(text.get("x", 0)), float(text.get("y", 0)))
        for text in ET.fromstring(svg).iter(f"{SVG}text")
    }
    tags = [at[name] for name in names]
    for k, (x, y) in enumerate(tags):
        for other_x, other_y in tags[:k]:
            assert abs(x - other_x) > 60 or abs(y - other_y) > 20
