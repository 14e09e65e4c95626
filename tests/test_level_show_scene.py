"""The scene and the relief behind it: what is drawn, asserted as data, and that it is drawn."""

import io
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from PIL import Image

from level.check import Check, check_bed
from level.machine import Machine
from level.show.relief import build_relief, colour_table, fine_surface, height_text
from level.show.scene import Scene, bed_surface, build_scene, picture, save, show_window
from level.show.tags import lift_tags, shorten
from level.simulator import BedShape, SimulatedMachine
from level.turns import TurnPlan, plan_turns
from probes.errors import RequestError
from probes.run import Run

GRID = np.linspace(20.0, 330.0, 7)
SPOTS = {"front left": (-60, -10), "front right": (410, -10), "back": (175, 370)}


def bench(names: dict[str, tuple[float, float]] = SPOTS, **limits: float) -> Machine:
    return msgspec.convert(
        {
            "name": "bench",
            "bed": {"x": [0, 350], "y": [0, 350]},
            "limits": limits,
            "frame": {"carries": "gantry"},
            "lift": [
                {"name": name, "x": x, "y": y, "screw": "Tr8x2", "raises": "clockwise"}
                for name, (x, y) in names.items()
            ],
        },
        Machine,
    )


def probed(machine: Machine) -> Run:
    shape = BedShape((175, 175), (175, 175), fall_x=0.1, bowl_x=0.06, twist=0.02, bump=0.03)
    heights = np.linspace(0.0, 0.6, len(machine.lifts))
    return SimulatedMachine(machine, shape, heights=heights, sigma=0.002).probe(GRID, GRID)


@pytest.fixture(scope="module")
def planned() -> tuple[Check, TurnPlan]:
    machine = bench(flatness=0.12)
    run = probed(machine)
    return check_bed(run, machine), plan_turns(run, machine)


@pytest.fixture(scope="module")
def scene(planned: tuple[Check, TurnPlan]) -> Scene:
    return build_scene(*planned)


def without(run: Run, gone: Any) -> Run:
    return Run(x=run.x[~gone], y=run.y[~gone], z=run.z[~gone])


def test_points_are_the_places_over_their_mean(scene: Scene, planned: Any) -> None:
    places = planned[0].run.places
    assert scene.points[:, 0] == pytest.approx(places.x)
    assert scene.points[:, 1] == pytest.approx(places.y)
    drawn = (places.z - places.z.mean()) * scene.exaggeration
    assert scene.points[:, 2] == pytest.approx(drawn)
    assert len(scene.relief.quads) == 36
    assert len(scene.relief.triangles) == 0


def test_every_cell_has_the_four_corners_of_a_cell(scene: Scene) -> None:
    corners = scene.points[scene.relief.quads]
    step = GRID[1] - GRID[0]
    assert np.ptp(corners[..., 0], axis=1) == pytest.approx(step)
    assert np.ptp(corners[..., 1], axis=1) == pytest.approx(step)
    x, y = corners[..., 0], corners[..., 1]
    area = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1) / 2
    assert area == pytest.approx(step**2)  # all the same way round, none crossed


def test_sheet_is_the_least_squares_plane(scene: Scene, planned: Any) -> None:
    plane, places = planned[0].tilt.plane, planned[0].run.places
    for x, y, height in scene.sheet:
        assert height == pytest.approx(
            (plane.height(x, y) - places.z.mean()) * scene.exaggeration, abs=1e-9
        )
    assert scene.relief.departure == pytest.approx(planned[0].flatness.departures)


def test_contacts_are_those_of_the_minimum_zone(scene: Scene, planned: Any) -> None:
    places, zone = planned[0].run.places, planned[0].flatness.zone
    assert scene.relief.upper[:, 2] == pytest.approx(places.z[zone.upper])
    assert scene.lower[:, 0] == pytest.approx(places.x[zone.lower])
    assert len(scene.upper) + len(scene.lower) >= 4


def test_relief_is_about_a_fifth_of_the_span(scene: Scene, planned: Any) -> None:
    drawn = np.ptp(planned[0].run.places.z) * scene.exaggeration
    assert 350 / 5 / 1.6 < drawn < 350 / 5 * 1.6
    leading = f"{scene.exaggeration:e}"[0]
    assert leading in "125"
    assert f"{scene.exaggeration:g} times" in scene.statement


@pytest.mark.parametrize(
    ("relief", "factor"), [(0.02, 5000.0), (0.3, 200.0), (1.0, 50.0), (30.0, 2.0), (140.0, 0.5)]
)
def test_exaggeration_is_one_two_or_five(relief: float, factor: float) -> None:
    x, y = (values.ravel() for values in np.meshgrid([0.0, 175, 350], [0.0, 175, 350]))
    made = build_scene(check_bed(Run(x=x, y=y, z=relief * x / 350)), None)
    assert made.exaggeration == pytest.approx(factor)


def test_colours_are_symmetric_about_the_plane(scene: Scene) -> None:
    half, departure = scene.relief.half, scene.relief.departure
    assert np.abs(departure).max() <= half
    assert half == pytest.approx(0.06)  # the limit of 0.12 from lowest to highest fits on the bar
    table = colour_table(257).astype(float)
    grey = table @ (0.2126, 0.7152, 0.0722)
    assert (np.diff(grey[:129]) >= 0).all()
    assert (np.diff(grey[128:]) <= 0).all()
    assert abs(grey[0] - grey[-1]) < 20
    assert np.ptp(table[128]) < 15  # the plane itself has next to no colour


@pytest.mark.parametrize(("limit", "half"), [(0.001, 0.05), (0.13, 0.08), (30.0, 0.05)])
def test_bar_reaches_over_a_limit_that_is_near(limit: float, half: float) -> None:
    x, y = (values.ravel() for values in np.meshgrid([0.0, 100.0], [0.0, 100.0]))
    run = Run(x=x, y=y, z=[0.05, -0.05, -0.05, 0.05])
    assert build_relief(check_bed(run, limit=limit)).half == pytest.approx(max(half, 0.05), rel=0.3)


def test_lifts_stand_where_they_are_with_their_turns(scene: Scene, planned: Any) -> None:
    plan = planned[1]
    assert [(tag.name, tag.x, tag.y) for tag in scene.tags] == [
        (name, x, y) for name, (x, y) in SPOTS.items()
    ]
    for tag, move, post in zip(scene.tags, plan.moves, scene.posts, strict=True):
        assert tag.turn == "leave" if move.leave else tag.turn.endswith(move.direction)
        assert tuple(post[0, :2]) == tuple(post[1, :2]) == (move.x, move.y)
        assert post[0, 2] < scene.points[:, 2].min()
        assert post[1, 2] > scene.points[:, 2].max()
    names_only = lift_tags(planned[0], None)
    assert [tag.turn for tag in names_only] == ["", "", ""]


def test_outline_is_the_bed_where_it_is_known(scene: Scene, planned: Any) -> None:
    assert scene.outline[:, :2].tolist() == [[0, 0], [350, 0], [350, 350], [0, 350]]
    alone = build_scene(check_bed(planned[0].run), None)
    assert alone.outline[2, :2].tolist() == [330, 330]
    assert alone.tags == ()
    assert alone.posts.shape == (0, 2, 3)


def test_hole_is_left_open(planned: Any) -> None:
    run = planned[0].run
    middle = (np.abs(run.x - GRID[3]) < 1) & (np.abs(run.y - GRID[3]) < 1)
    relief = build_relief(check_bed(without(run, middle)))
    assert len(relief.quads) == 32
    assert len(relief.triangles) == 4  # of the cells round the hole the other half is known
    values, triangles = fine_surface(relief)
    centres = values[triangles].mean(axis=1)
    off = np.abs(centres[:, :2] - GRID[3]).sum(axis=1)
    assert off.min() > 0.4 * (GRID[1] - GRID[0])


def test_surface_is_bilinear_and_has_no_seams(scene: Scene) -> None:
    values, triangles = fine_surface(scene.relief)
    assert len(np.unique(np.round(values[:, :2], 6), axis=0)) == len(values)
    plane_part = values[:, 2] - values[:, 3]
    assert plane_part == pytest.approx(scene.relief.plane.height(values[:, 0], values[:, 1]))
    assert values[:, 3].max() <= scene.relief.departure.max() + 1e-12
    a, b, c = (values[triangles[:, k], :2] for k in range(3))
    area = np.abs(np.cross(np.c_[b - a, 0 * a[:, 0]], np.c_[c - a, 0 * a[:, 0]])[:, 2]).sum() / 2
    assert area == pytest.approx(310.0**2)


def test_scattered_places_are_triangulated() -> None:
    x, y = np.random.default_rng(1).uniform(0, 200, (2, 60))
    relief = build_relief(check_bed(Run(x=x, y=y, z=0.001 * x + 0.01 * np.sin(y))))
    assert relief.grid is None
    assert len(relief.quads) == 0
    assert 2 * 60 - 2 - 60 < len(relief.triangles) < 2 * 60
    assert set(relief.triangles.ravel()) == set(range(60))


def test_chequered_grid_is_triangulated() -> None:
    x, y = (values.ravel() for values in np.meshgrid(np.arange(6.0), np.arange(6.0)))
    kept = (x + y) % 2 == 0
    relief = build_relief(check_bed(Run(x=x[kept], y=y[kept], z=0.1 * x[kept] ** 2)))
    assert relief.grid is None
    assert len(relief.triangles) > 10


def test_three_places_make_one_triangle() -> None:
    scene = build_scene(check_bed(Run(x=[0, 200, 0], y=[0, 0, 100], z=[0, 0.1, 0.3])), None)
    assert len(scene.relief.triangles) == 1
    assert len(scene.upper) == 0  # they lie in the plane: nothing stands out


def test_equal_heights_are_not_blown_up() -> None:
    x, y = (values.ravel() for values in np.meshgrid([0.0, 50, 100], [0.0, 50, 100]))
    scene = build_scene(check_bed(Run(x=x, y=y, z=np.full(9, 0.3))), None)
    assert scene.exaggeration == 1
    assert scene.statement == "heights drawn as they are"
    assert scene.relief.half == pytest.approx(0.001)
    assert np.isfinite(scene.points).all()


@pytest.mark.parametrize("scattered", [False, True])
def test_many_places_are_thinned_for_drawing_only(scattered: bool) -> None:
    line = np.linspace(0, 300, 300)
    x, y = (values.ravel() for values in np.meshgrid(line, line))
    if scattered:
        x, y = np.random.default_rng(2).uniform(0, 300, (2, 30_000))
    check = check_bed(Run(x=x, y=y, z=1e-6 * (x - 100) ** 2))
    relief = build_relief(check)
    assert relief.thinned
    assert 5000 < len(relief.x) <= 20_000
    assert relief.places == len(x)
    assert relief.departure == pytest.approx(1e-6 * (relief.x - 100) ** 2 - relief_plane(relief))
    if not scattered:
        assert (relief.x.min(), relief.x.max(), relief.y.max()) == (0, 300, 300)
        assert relief.grid is not None
        assert len(relief.quads) == (relief.grid.rows - 1) * (relief.grid.columns - 1)


def relief_plane(relief: Any) -> Any:
    return relief.plane.height(relief.x, relief.y)


def test_picture_shows_something_and_says_nothing(
    scene: Scene, capfd: pytest.CaptureFixture[str]
) -> None:
    light, dark = (shown(picture(scene, (640, 480), dark=dark)) for dark in (False, True))
    assert light.shape == dark.shape == (480, 640, 3)
    assert light[0, 0].tolist() == [255, 255, 255]
    assert dark[0, 0].max() < 60
    for pixels in (light, dark):
        paper = (pixels == pixels[0, 0]).all(axis=2).mean()
        assert 0.3 < paper < 0.97
    red, blue = light[..., 0].astype(int), light[..., 2].astype(int)
    assert (blue - red > 25).sum() > 500
    assert (red - blue > 25).sum() > 500
    assert capfd.readouterr() == ("", "")


def shown(png: bytes) -> Any:
    assert png.startswith(b"\x89PNG")
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def test_lower_and_upper_halves_take_their_colours() -> None:
    x, y = (values.ravel() for values in np.meshgrid(np.linspace(0, 300, 4), [0.0, 300.0]))
    ridge = np.tile([0.1, -0.1, -0.1, 0.1], 2)
    mesh = bed_surface(build_scene(check_bed(Run(x=x, y=y, z=ridge)), None))
    colours = mesh.point_data["colour"].astype(int)
    high = mesh.point_data["departure_mm"] > 0
    assert (colours[high, 0] > colours[high, 2]).all()
    assert (colours[~high, 0] < colours[~high, 2]).all()


@pytest.mark.parametrize(
    "names", [["<b>$x$</b> | \\ 100 %", "خلف اليسار", "前左" * 40], ["a" * 300]]
)
def test_any_name_can_be_drawn(names: list[str], capfd: pytest.CaptureFixture[str]) -> None:
    machine = bench(dict(zip(names, SPOTS.values(), strict=False)))
    run = probed(machine)
    pixels = shown(picture(build_scene(check_bed(run, machine), plan_turns(run, machine))))
    paper = (pixels == 255).all(axis=2)
    assert paper[:, :4].all()  # nothing runs out of the frame
    assert paper[:, -4:].all()
    assert capfd.readouterr() == ("", "")


def test_files_are_written_and_can_be_read(
    scene: Scene, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    import pyvista as pv

    for name in ("bed.png", "bed.vtp", "bed.PLY"):
        save(scene, tmp_path / name)
    assert shown((tmp_path / "bed.png").read_bytes()).std() > 10
    mesh = pv.read(tmp_path / "bed.vtp")
    assert mesh.points == pytest.approx(np.c_[scene.points[:, :2], scene.relief.z])
    assert mesh["departure_mm"] == pytest.approx(scene.relief.departure)
    assert mesh.n_cells == 36
    ply = pv.read((tmp_path / "bed.PLY").rename(tmp_path / "bed.ply"))
    assert ply.points == pytest.approx(mesh.points, abs=1e-4)
    assert ply.n_cells >= 36
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name", ["bed.stl", "bed", "bed.png.zip"])
def test_other_endings_are_refused(scene: Scene, tmp_path: Path, name: str) -> None:
    with pytest.raises(RequestError, match=r"must be one of \.png, \.vtp, \.ply"):
        save(scene, tmp_path / name)


@pytest.mark.parametrize("ending", [".png", ".vtp", ".ply"])
def test_unwritable_path_is_refused(scene: Scene, tmp_path: Path, ending: str) -> None:
    with pytest.raises(RequestError, match="cannot be written"):
        save(scene, tmp_path / "nowhere" / f"bed{ending}")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems always have a screen")
def test_window_needs_a_screen(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    with pytest.raises(RequestError, match="no screen"):
        show_window(scene)


def test_names_are_kept_short() -> None:
    assert shorten("  two\n words\t", 20) == "two words"
    assert shorten("x" * 30, 10) == "x" * 9 + "…"
    assert shorten("前" * 10, 9) == "前" * 4 + "…"
    assert shorten("a\u202eb\x00c", 9) == "a b c"


def test_heights_on_the_bar() -> None:
    assert height_text(-0.06, 0.12) == "-0.060"
    assert height_text(-0.0, 0.12) == "0"


def test_import_is_light() -> None:
    code = (
        "import sys, level.show.scene, level.show.plots, level.show.page;"
        "print([m for m in ('pyvista', 'matplotlib', 'vtkmodules', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
