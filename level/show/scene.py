"""The 3D scene: the bed over its reference plane, with the lifts where they stand."""

import math
import os
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from level.check import Check
from level.plan import TurnPlan
from level.show.relief import Relief, build_relief, colour_table, fine_surface, height_text
from level.show.tags import Tag, lift_tags, shorten
from probes.errors import RequestError
from probes.run import Floats, Ints

if TYPE_CHECKING:
    import pyvista as pv

__all__ = [
    "ENDINGS",
    "Scene",
    "bed_surface",
    "build_scene",
    "draw",
    "picture",
    "save",
    "show_window",
]

Colours = npt.NDArray[np.uint8]

ENDINGS = (".png", ".vtp", ".ply")
"""What `save` can write."""

_RELIEF_PART = 1 / 5
_LEAST_RELIEF = 1e-6
"""Heights closer together than this (mm) differ by rounding only and are not blown up."""

_NAME_COLUMNS = 22
_DRAWABLE_BELOW = 0x0530
"""VTK's own font draws Latin, Greek and Cyrillic; names beyond are shown by number."""

_TAG_SIZE, _WORD_SIZE = 33, 29
"""Heights of letters in a picture 1280 pixels wide."""

_SHEET_LINES = 9

_FROM = (0.32, -1.0, 0.62)
"""Where the scene is seen from: the front, a little from the right and above."""

_BAR_MIDDLE, _BAR_HALF, _BAR_LOW, _BAR_HIGH = 0.5, 0.27, 0.108, 0.134
"""The colour bar in the frame, 0 to 1 from left and below."""


@dataclass(frozen=True, eq=False)
class Scene:
    """What is drawn, before anything draws it.

    Attributes
    ----------
    relief : Relief
        The bed's surface.
    exaggeration : float
        Heights are drawn so many times taller than they are.
    points : ndarray, shape (drawn, 3)
        The drawn places: x, y in mm, and height over the mean times the exaggeration.
    sheet : ndarray, shape (4, 3)
        Corners of the reference plane over the probed rectangle, drawn heights.
    outline : ndarray, shape (4, 3)
        Corners of the bed, or of the probed rectangle, on the ground.
    upper, lower : ndarray, shape (contacts, 3)
        Contacts of the minimum zone, drawn heights.
    tags : tuple of Tag
        The lifts.
    ground, top : float
        Drawn heights that the lifts' posts span.
    span : float
        Longer side of the bed, mm.
    title : str
        What the scene shows.
    """

    relief: Relief
    exaggeration: float
    points: Floats
    sheet: Floats
    outline: Floats
    upper: Floats
    lower: Floats
    tags: tuple[Tag, ...]
    ground: float
    top: float
    span: float
    title: str

    @property
    def statement(self) -> str:
        """How heights are drawn, in words."""
        if self.exaggeration == 1:
            return "heights drawn as they are"
        return f"heights drawn {self.exaggeration:g} times as tall as they are"

    @property
    def posts(self) -> Floats:
        """The lifts' posts, shape (lifts, 2, 3): foot and head, x and y in mm, drawn heights."""
        ends = [[(tag.x, tag.y, end) for end in (self.ground, self.top)] for tag in self.tags]
        return np.array(ends, dtype=np.float64).reshape(-1, 2, 3)


def build_scene(check: Check, plan: TurnPlan | None) -> Scene:
    """Lay out the scene of a check, and of a plan if there is one.

    Parameters
    ----------
    check : Check
        The check.
    plan : TurnPlan or None
        Whose turns stand beside the lifts.

    Returns
    -------
    Scene
        Everything that is drawn.
    """
    relief = build_relief(check)
    places = check.run.places
    bed = check.machine.bed if check.machine else None
    probed = (places.x.min(), places.x.max()), (places.y.min(), places.y.max())
    probed_x, probed_y = [(float(low), float(high)) for low, high in probed]
    bed_x, bed_y = (bed.x, bed.y) if bed else (probed_x, probed_y)
    span = max(bed_x[1] - bed_x[0], bed_y[1] - bed_y[0])
    factor = _exaggeration(float(np.ptp(places.z)), span)
    sheet = _rectangle(probed_x, probed_y, 0.0)
    sheet[:, 2] = (relief.plane.height(sheet[:, 0], sheet[:, 1]) - relief.mean) * factor
    points = _drawn(np.column_stack((relief.x, relief.y, relief.z)), relief.mean, factor)
    everything = np.concatenate((points[:, 2], sheet[:, 2]))
    ground = float(everything.min()) - 0.1 * span
    return Scene(
        relief=relief,
        exaggeration=factor,
        points=points,
        sheet=sheet,
        outline=_rectangle(bed_x, bed_y, ground),
        upper=_drawn(relief.upper, relief.mean, factor),
        lower=_drawn(relief.lower, relief.mean, factor),
        tags=lift_tags(check, plan),
        ground=ground,
        top=float(everything.max()) + 0.1 * span,
        span=span,
        title=shorten(check.run.source, 48),
    )


def _exaggeration(relief: float, span: float) -> float:
    """Round the factor that makes the relief a fifth of the span to 1, 2 or 5."""
    if relief < _LEAST_RELIEF:
        return 1.0
    exact = _RELIEF_PART * span / relief
    power = 10.0 ** math.floor(math.log10(exact))
    part = exact / power
    nearest = min((1.0, 2.0, 5.0, 10.0), key=lambda step: abs(math.log(part / step)))
    return nearest * power


def _drawn(spots: Floats, mean: float, factor: float) -> Floats:
    return (spots - (0.0, 0.0, mean)) * (1.0, 1.0, factor)


def _rectangle(x: tuple[float, float], y: tuple[float, float], height: float) -> Floats:
    corners = [(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])]
    return np.array([(*corner, height) for corner in corners])


@dataclass(frozen=True)
class _Ink:
    """Colours of everything but the heights."""

    paper: str
    ink: str
    quiet: str
    sheet: str
    post: str


_LIGHT = _Ink(paper="#ffffff", ink="#1f2933", quiet="#5b6570", sheet="#7d8894", post="#4d5a66")
_DARK = _Ink(paper="#1b2026", ink="#e8e6e1", quiet="#a9b1b9", sheet="#9aa5b1", post="#b4bec8")


def bed_surface(scene: Scene) -> "pv.PolyData":
    """Make the bed's surface as a mesh, as read: mm, not exaggerated.

    Returns
    -------
    pyvista.PolyData
        With `departure_mm` and `height_mm` (over the mean) at each place, and `colour` (RGB).
    """
    import pyvista as pv

    relief = scene.relief
    faces = np.concatenate(
        [
            np.column_stack((np.full(len(cells), cells.shape[1]), cells)).ravel()
            for cells in (relief.quads, relief.triangles)
        ]
    )
    mesh = pv.PolyData(np.column_stack((relief.x, relief.y, relief.z)))
    if len(faces):
        mesh = pv.PolyData(mesh.points, faces)
    mesh.point_data["departure_mm"] = relief.departure
    mesh.point_data["height_mm"] = relief.height
    table = colour_table()
    part = (relief.departure / relief.half + 1) / 2
    mesh.point_data["colour"] = table[np.round(part * (len(table) - 1)).astype(int)]
    return mesh


def draw(scene: Scene, plotter: "pv.Plotter", *, dark: bool = False) -> None:
    """Draw a scene into a plotter and set its camera; every picture and window comes from here.

    Parameters
    ----------
    scene : Scene
        What to draw.
    plotter : pyvista.Plotter
        Where.
    dark : bool, default False
        On dark ground instead of white.
    """
    ink = _DARK if dark else _LIGHT
    plotter.renderer.set_background(ink.paper)
    width, height = plotter.window_size
    unit = min(width, 4 * height / 3) / 1280
    _draw_ground(scene, plotter, ink, unit)
    _draw_sheet(scene, plotter, ink, unit)
    _draw_surface(scene, plotter, unit)
    _draw_contacts(scene, plotter, ink, unit)
    _draw_lifts(scene, plotter, ink, unit)
    _draw_bar(scene, plotter, ink, unit)
    _draw_words(scene, plotter, ink, unit)
    _aim(scene, plotter, unit)


def _draw_ground(scene: Scene, plotter: "pv.Plotter", ink: _Ink, unit: float) -> None:
    import pyvista as pv

    edge = pv.lines_from_points(scene.outline, close=True)
    plotter.add_mesh(edge, color=ink.quiet, line_width=2 * unit)
    (left, front), (right, back) = scene.outline[0, :2], scene.outline[2, :2]
    off = 0.04 * scene.span
    for text, x, y in (
        ("front", (left + right) / 2, front + off),
        ("right", right - off, (front + back) / 2),
    ):
        _label(plotter, text, (x, y, scene.ground), size=round(_WORD_SIZE * unit), ink=ink)


def _draw_sheet(scene: Scene, plotter: "pv.Plotter", ink: _Ink, unit: float) -> None:
    """Draw the reference plane: hardly a tint, so that heights keep their colours, and a mesh."""
    import pyvista as pv

    sheet = pv.PolyData(scene.sheet, [4, 0, 1, 2, 3])
    plotter.add_mesh(sheet, color=ink.sheet, opacity=0.13, lighting=False)
    first, second, third, fourth = scene.sheet
    for part in np.linspace(0, 1, _SHEET_LINES):
        width = (2.5 if part in (0, 1) else 1) * unit
        for start, end in (
            (first + part * (second - first), fourth + part * (third - fourth)),
            (first + part * (fourth - first), second + part * (third - second)),
        ):
            plotter.add_mesh(pv.Line(start, end), color=ink.sheet, line_width=width)


def _draw_surface(scene: Scene, plotter: "pv.Plotter", unit: float) -> None:
    import pyvista as pv

    relief = scene.relief
    table = pv.LookupTable(
        values=np.column_stack((colour_table(), np.full(256, 255))),
        scalar_range=(-relief.half, relief.half),
    )
    values, triangles = fine_surface(relief)
    if len(triangles):
        spots = _drawn(values[:, :3], relief.mean, scene.exaggeration)
        mesh = pv.PolyData(spots, np.insert(triangles, 0, 3, axis=1).ravel())
        mesh.point_data["departure_mm"] = values[:, 3]
        plotter.add_mesh(
            mesh,
            scalars="departure_mm",
            cmap=table,
            clim=(-relief.half, relief.half),
            show_scalar_bar=False,
            smooth_shading=True,
            ambient=0.45,
            diffuse=0.6,
            specular=0.0,
        )
    if not relief.thinned:
        size = (8 if len(relief.x) <= 2500 else 3) * unit
        plotter.add_points(
            scene.points, color=_LIGHT.ink, point_size=size, render_points_as_spheres=True
        )


def _draw_contacts(scene: Scene, plotter: "pv.Plotter", ink: _Ink, unit: float) -> None:
    """Pin the contacts: a head that points up for the upper plane, down for the lower one."""
    import pyvista as pv

    size = 0.028 * scene.span
    for contacts, way in ((scene.upper, 1), (scene.lower, -1)):
        for x, y, z in contacts:
            foot, head = (x, y, z), (x, y, z + 2.2 * size)
            plotter.add_mesh(pv.Line(foot, head), color=ink.ink, line_width=2.5 * unit)
            cone = pv.Cone(
                center=head, direction=(0, 0, way), height=size, radius=0.5 * size, resolution=24
            )
            plotter.add_mesh(cone, color=ink.ink, ambient=0.5)


def _draw_lifts(scene: Scene, plotter: "pv.Plotter", ink: _Ink, unit: float) -> None:
    import pyvista as pv

    for tag, ends in zip(scene.tags, scene.posts, strict=True):
        post = pv.Cylinder(
            center=ends.mean(axis=0),
            direction=(0, 0, 1),
            radius=0.009 * scene.span,
            height=scene.top - scene.ground,
            resolution=24,
        )
        plotter.add_mesh(post, color=ink.post, smooth_shading=True, split_sharp_edges=True)
        # over the bed a tag would hide it: those in front are written at the foot of the post
        in_front = tag.y < scene.outline[:, 1].mean()
        height = scene.ground - 0.015 * scene.span if in_front else scene.top + 0.015 * scene.span
        text = f"{_name(tag)}\n{tag.turn}" if tag.turn else _name(tag)
        size = round(_TAG_SIZE * unit)
        _label(plotter, text, (tag.x, tag.y, height), size=size, ink=ink, under=in_front)


def _name(tag: Tag) -> str:
    """Give a lift's name as far as VTK's font can draw it, else its number."""
    if any(ord(letter) >= _DRAWABLE_BELOW for letter in tag.name):
        return f"lift {tag.number}"
    return shorten(tag.name, _NAME_COLUMNS)


def _label(
    plotter: "pv.Plotter",
    text: str,
    spot: tuple[float, float, float],
    *,
    size: int,
    ink: _Ink,
    under: bool = False,
) -> None:
    """Write over or under a spot of the scene, always in sight."""
    import pyvista as pv

    label = pv.Label(_plain(text), position=spot, size=size)
    _letter(label, size, ink.ink)
    if under:
        label.prop.justification_vertical = "top"
    label.prop.background_color = ink.paper
    label.prop.background_opacity = 0.75
    plotter.add_actor(label, name=f"label {text} {spot}", reset_camera=False, render=False)


def _word(
    plotter: "pv.Plotter", text: str, at: tuple[float, float], *, size: int, color: str
) -> None:
    """Write into the picture, centred over a point of the frame (0 to 1, from left and below)."""
    import pyvista as pv

    word = pv.Text(_plain(text))
    _letter(word, size, color)
    word.GetPositionCoordinate().SetCoordinateSystemToNormalizedViewport()
    word.SetPosition(*at)
    plotter.add_actor(word, name=f"word {text} {at}", reset_camera=False, render=False)


def _plain(text: str) -> str:
    """Keep VTK from reading formulas and columns into what somebody called a lift."""
    return text.replace("$", "\\$").replace("|", "¦")


def _letter(text: "pv.Text", size: int, color: str) -> None:
    text.SetTextScaleModeToNone()
    text.prop.font_size = size
    text.prop.color = color
    text.prop.justification_horizontal = "center"
    text.prop.justification_vertical = "bottom"


def _draw_words(scene: Scene, plotter: "pv.Plotter", ink: _Ink, unit: float) -> None:
    small = round(_WORD_SIZE * unit)
    _word(plotter, scene.title, (0.5, 0.945), size=round(_TAG_SIZE * unit), color=ink.ink)
    _word(plotter, scene.statement, (0.5, 0.9), size=small, color=ink.quiet)
    half = scene.relief.half
    for part in (-1.0, -0.5, 0.0, 0.5, 1.0):
        at = (_BAR_MIDDLE + part * _BAR_HALF, 0.068)
        _word(plotter, height_text(part * half, half), at, size=small, color=ink.ink)
    note = "departure from the reference plane (grey sheet), mm"
    _word(plotter, note, (0.5, 0.02), size=small, color=ink.quiet)


def _draw_bar(scene: Scene, plotter: "pv.Plotter", ink: _Ink, unit: float) -> None:
    """Draw the colour bar, with the limit as two strokes that far apart."""
    table = colour_table(128)
    edges = np.linspace(_BAR_MIDDLE - _BAR_HALF, _BAR_MIDDLE + _BAR_HALF, len(table) + 1)
    low, high = np.full(len(edges), _BAR_LOW), np.full(len(edges), _BAR_HIGH)
    corners = np.concatenate((np.column_stack((edges, low)), np.column_stack((edges, high))))
    first = np.arange(len(table))
    cells = np.column_stack((first, first + 1, first + 1 + len(edges), first + len(edges)))
    _flat(plotter, corners, cells, table)
    relief = scene.relief
    if relief.limit is None:
        return
    small = round(_WORD_SIZE * unit)
    text = f"limit {relief.limit:.3f} mm from lowest to highest"
    if relief.limit / 2 > relief.half * (1 + 1e-9):
        _word(plotter, text + ", beyond this bar", (0.5, 0.153), size=small, color=ink.quiet)
        return
    _word(plotter, text, (0.5, 0.153), size=small, color=ink.quiet)
    reach = _BAR_HALF * relief.limit / 2 / relief.half
    thin = 0.0012
    for side in (-reach, reach):
        x = _BAR_MIDDLE + side
        stroke = np.array(
            [(x - thin, _BAR_LOW), (x + thin, _BAR_LOW),
             (x + thin, _BAR_HIGH + 0.014), (x - thin, _BAR_HIGH + 0.014)]
        )  # fmt: skip
        black = np.array([[int(ink.ink[k : k + 2], 16) for k in (1, 3, 5)]], dtype=np.uint8)
        _flat(plotter, stroke, np.array([[0, 1, 2, 3]]), black)


def _flat(plotter: "pv.Plotter", corners: Floats, cells: Ints, colours: Colours) -> None:
    """Fill four-cornered cells of the frame (0 to 1, from left and below), one colour each."""
    import pyvista as pv
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkCoordinate, vtkPolyDataMapper2D

    faces = np.column_stack((np.full(len(cells), 4), cells)).ravel()
    mesh = pv.PolyData(np.column_stack((corners, np.zeros(len(corners)))), faces)
    mesh.cell_data["colour"] = colours
    mesh.set_active_scalars("colour", preference="cell")
    frame = vtkCoordinate()
    frame.SetCoordinateSystemToNormalizedViewport()
    mapper = vtkPolyDataMapper2D()
    mapper.SetInputData(mesh)
    mapper.SetTransformCoordinate(frame)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    plotter.renderer.AddViewProp(actor)


def _aim(scene: Scene, plotter: "pv.Plotter", unit: float) -> None:
    """Look from the front, a little from the right and above, with room for all that is written."""
    width, height = plotter.window_size
    towards = -np.array(_FROM) / np.linalg.norm(_FROM)
    right = np.cross(towards, (0.0, 0.0, 1.0))
    right /= np.linalg.norm(right)
    up = np.cross(right, towards)
    everything = np.concatenate(
        (scene.points, scene.sheet, scene.outline, scene.posts.reshape(-1, 3))
    )
    across, along = everything @ right, everything @ up
    letters = max((max(len(_name(tag)), len(tag.turn)) for tag in scene.tags), default=8)
    beside = 0.26 * letters * _TAG_SIZE * unit + 0.02 * width
    lines = 2.6 * _TAG_SIZE * unit if scene.tags else 0.0
    above, below = 0.12 * height + lines, 0.19 * height + lines
    # millimetres in a pixel
    scale = max(
        np.ptp(across) / max(width - 2 * beside, 0.2 * width),
        np.ptp(along) / max(height - above - below, 0.2 * height),
    )
    middle_up = (along.max() + along.min()) / 2 + scale * (above - below) / 2
    focus = right * (across.max() + across.min()) / 2 + up * middle_up
    depth = everything @ towards
    focus += towards * (depth.max() + depth.min()) / 2
    far = float(np.ptp(depth)) + 4 * scene.span
    camera = plotter.camera
    camera.parallel_projection = True
    camera.focal_point = tuple(focus)
    camera.position = tuple(focus - towards * far)
    camera.up = (0.0, 0.0, 1.0)
    camera.parallel_scale = float(scale * height / 2)
    plotter.renderer.reset_camera_clipping_range()


def picture(scene: Scene, size: tuple[int, int] = (1280, 960), *, dark: bool = False) -> bytes:
    """Draw a scene off-screen.

    Parameters
    ----------
    scene : Scene
        What to draw.
    size : (int, int)
        Width and height, pixels.
    dark : bool, default False
        On dark ground instead of white.

    Returns
    -------
    bytes
        A PNG file.
    """
    import io

    import pyvista as pv
    from PIL import Image

    # below "error" VTK complains to the terminal that there is no screen, which it does not need
    with pv.vtk_verbosity("error"):
        plotter = pv.Plotter(off_screen=True, window_size=list(size))
        try:
            plotter.enable_anti_aliasing("ssaa")
            draw(scene, plotter, dark=dark)
            pixels = np.asarray(plotter.screenshot(None, return_img=True))
        finally:
            plotter.close()
    output = io.BytesIO()
    Image.fromarray(pixels).save(output, "PNG", optimize=True)
    return output.getvalue()


def save(scene: Scene, path: str | Path) -> None:
    """Write a scene to a file: a picture, or the bed's surface as a mesh.

    Parameters
    ----------
    scene : Scene
        What to write.
    path : str or Path
        Ending in .png: the picture; .vtp or .ply: the surface as read, in mm, not exaggerated.

    Raises
    ------
    RequestError
        If the ending is another, or the file cannot be written.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise RequestError(
            f"{path}: the ending says what to write, and must be one of {', '.join(ENDINGS)}"
        )
    try:
        path.write_bytes(picture(scene) if ending == ".png" else _mesh_file(scene, ending))
    except OSError as fault:
        raise RequestError(f"{path}: cannot be written ({fault.strerror or fault})") from None


def _mesh_file(scene: Scene, ending: str) -> bytes:
    import pyvista as pv

    # VTK minds capital endings and does not say why it cannot write
    with tempfile.TemporaryDirectory() as folder, pv.vtk_verbosity("error"):
        written = Path(folder, f"bed{ending}")
        bed_surface(scene).save(written, texture="colour" if ending == ".ply" else None)
        return written.read_bytes()


def show_window(scene: Scene) -> None:
    """Open a window in which the scene can be turned, and wait until it is closed.

    Raises
    ------
    RequestError
        If there is no screen to open it on.
    """
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        raise RequestError(
            "there is no screen to open a window on; "
            f"use --save FILE with one of {', '.join(ENDINGS)}"
        )
    import pyvista as pv

    with pv.vtk_verbosity("error"):
        plotter = pv.Plotter(window_size=[1280, 960], title=f"planish: {scene.title}")
        draw(scene, plotter)
        plotter.show()
