"""The flat map: the bed seen from above, as an SVG that a page can hold."""

import io
import re
import warnings
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from level.check import Check
from level.plan import TurnPlan
from level.show.check_words import local_words
from level.show.relief import Relief, build_relief, colour_table, fine_surface, height_text
from level.show.tags import Tag, lift_tags, shorten

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure

__all__ = ["flat_map"]

_WIDTH = 5.2
"""Of the figure, inch: small, so that its letters can still be read on a phone."""

_LEFT, _RIGHT, _TOP, _BELOW = 0.66, 0.12, 0.1, 1.46
"""Room beside the map, inch: rows' numbers left, columns' numbers and the colour bar below."""

_TALLEST, _LOWEST = 5.6, 1.6

_FILLED_AS_SHAPES = 900
"""Up to so many places the fill is made of shapes; of more, it is a picture in the picture."""

_MOST_DOTS = 2500

_LEVELS = 16
"""Edges of the bands of colour: an odd number of bands, so that one lies about zero."""
_NAME_COLUMNS = 20
_LETTER = 10.5
_SMALL = 9.5
_LINE = 0.18
_AIR = 0.05
"""Of the longer side, left free all round."""
_GAP = 0.07

_INK, _QUIET = "#010203", "#010204"
"""Stand-ins that become the colours of the page's own letters."""

_TAG_INK, _TAG_PAPER = "#1f2933", "#ffffff"

_FONTS = "system-ui, 'Liberation Sans', Arial, sans-serif"

_SETTINGS: dict[Any, Any] = {
    "svg.hashsalt": "planish",
    "svg.fonttype": "none",
    "font.family": ["DejaVu Sans"],
    "text.parse_math": False,
    "axes.unicode_minus": False,
}


@dataclass(frozen=True)
class _Box:
    """A rectangle of the map, mm."""

    left: float
    right: float
    front: float
    back: float

    def meets(self, other: "_Box") -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.front < other.back
            and other.front < self.back
        )

    def grown(self, by: float) -> "_Box":
        return _Box(self.left - by, self.right + by, self.front - by, self.back + by)

    def moved(self, up: float) -> "_Box":
        return _Box(self.left, self.right, self.front + up, self.back + up)


def flat_map(check: Check, plan: TurnPlan | None) -> str:
    """Draw the bed from above: departures from the reference plane, places and lifts.

    Parameters
    ----------
    check : Check
        The check.
    plan : TurnPlan or None
        Whose turns stand beside the lifts.

    Returns
    -------
    str
        An `<svg>` element, complete and the same for the same check: x to the right, y to the
        back, mm; letters in the colour of the text around it.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    relief = build_relief(check)
    tags = lift_tags(check, plan)
    with rc_context(_SETTINGS), warnings.catch_warnings():
        # letters of other scripts are drawn by the browser, which has them
        warnings.filterwarnings("ignore", message=r"(?s).*[Gg]lyph", category=UserWarning)
        figure = Figure()
        _draw(figure, relief, tags, check)
        output = io.StringIO()
        nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        figure.savefig(output, format="svg", metadata=nothing)
    return _finished(output.getvalue(), _described(relief, tags, check))


def _draw(figure: "Figure", relief: Relief, tags: tuple[Tag, ...], check: Check) -> None:
    wide = _WIDTH - _LEFT - _RIGHT
    content = _content(relief, check, tags)
    content = content.grown(_AIR * max(content.right - content.left, content.back - content.front))
    scale = min(
        wide / (content.right - content.left), (_TALLEST - 1.2) / (content.back - content.front)
    )
    middle = (content.left + content.right) / 2
    frame = _Box(middle - wide / scale / 2, middle + wide / scale / 2, content.front, content.back)
    boxes = _tag_boxes(tags, frame, _content(relief, check, ()), scale, figure)
    front = min([content.front, *(box.front - _GAP / scale for box in boxes)])
    back = max([content.back, *(box.back + _GAP / scale for box in boxes)])
    more = max(0.0, _LOWEST / scale - (back - front)) / 2
    tall = (back - front + 2 * more) * scale
    height = tall + _TOP + _BELOW
    figure.set_size_inches(_WIDTH, height)
    axes = figure.add_axes((_LEFT / _WIDTH, _BELOW / height, wide / _WIDTH, tall / height))
    axes.set(xlim=(frame.left, frame.right), ylim=(front - more, back + more))
    axes.set_aspect("equal")
    _draw_axes(axes)
    _draw_bed(axes, check)
    _draw_fill(axes, relief)
    _draw_places(axes, relief)
    _draw_part(axes, check)
    _draw_lifts(axes, tags, boxes, scale)
    bar = figure.add_axes(
        ((_LEFT + 0.1 * wide) / _WIDTH, 0.53 / height, 0.8 * wide / _WIDTH, 0.15 / height)
    )
    _draw_bar(bar, relief)


def _content(relief: Relief, check: Check, tags: tuple[Tag, ...]) -> _Box:
    """Everything that is drawn but letters."""
    x, y = [*relief.x, *(tag.x for tag in tags)], [*relief.y, *(tag.y for tag in tags)]
    if check.machine and check.machine.bed:
        x, y = [*x, *check.machine.bed.x], [*y, *check.machine.bed.y]
    return _Box(min(x), max(x), min(y), max(y))


def _tag_boxes(
    tags: tuple[Tag, ...], frame: _Box, bed: _Box, scale: float, figure: "Figure"
) -> list[_Box]:
    """Find room for the tags: outward of their lifts, off the bed, none over another or a lift."""
    middle = (bed.front + bed.back) / 2
    rings = [_Box(tag.x, tag.x, tag.y, tag.y).grown(_GAP / scale) for tag in tags]
    edges = frame.grown(-_GAP / scale)
    boxes: list[_Box] = []
    for tag in tags:
        wide, tall = (part / scale for part in _tag_size(tag, figure))
        left = max(min(tag.x - wide / 2, edges.right - wide), edges.left)
        outward = -1 if tag.y < middle else 1
        near = tag.y + outward * 2.2 * _GAP / scale
        low = near if outward > 0 else near - tall
        box = _Box(left, left + wide, low, low + tall)
        # beside the bed there is seldom room enough: there a tag may reach over it
        beside = bed.front < tag.y < bed.back and not bed.left <= tag.x <= bed.right
        taken = [*rings, *boxes] if beside else [bed, *rings, *boxes]
        while hit := [other for other in taken if box.meets(other.grown(_GAP / scale / 2))]:
            # just past what it met
            edge = hit[0].back if outward > 0 else hit[0].front - tall
            box = box.moved(edge - box.front + outward * 0.51 * _GAP / scale)
        boxes.append(box)
    return boxes


def _tag_lines(tag: Tag) -> list[str]:
    return [line for line in (shorten(tag.name, _NAME_COLUMNS), tag.turn) if line]


def _tag_size(tag: Tag, figure: "Figure") -> tuple[float, float]:
    """Measure a tag, inch."""
    lines = _tag_lines(tag)
    widest = max(_measured(line, bool(number), figure) for number, line in enumerate(lines))
    return widest + 2 * _GAP, len(lines) * _LINE + _GAP


def _measured(text: str, bold: bool, figure: "Figure") -> float:
    letters = figure.text(0, 0, text, fontsize=_LETTER, fontweight=_weight(bold))
    width = letters.get_window_extent().width / figure.dpi
    letters.remove()
    return float(width)


def _weight(bold: bool) -> str:
    return "bold" if bold else "normal"


def _draw_axes(axes: "Axes") -> None:
    axes.patch.set_visible(False)
    axes.figure.patch.set_visible(False)
    for spine in axes.spines.values():
        spine.set(color=_QUIET, linewidth=0.6, alpha=0.45)
    axes.tick_params(labelsize=_SMALL, labelcolor=_QUIET, color=_QUIET, width=0.6, length=3)
    axes.locator_params(nbins=6)
    axes.set_xlabel("x, mm (left to right)", fontsize=_SMALL, color=_QUIET, labelpad=2)
    axes.set_ylabel("y, mm (front to back)", fontsize=_SMALL, color=_QUIET, labelpad=2)


def _draw_bed(axes: "Axes", check: Check) -> None:
    from matplotlib.patches import Rectangle

    bed = check.machine.bed if check.machine else None
    if bed is None:
        return
    (left, right), (front, back) = bed.x, bed.y
    axes.add_patch(
        Rectangle(
            (left, front), right - left, back - front,
            fill=False, edgecolor=_INK, linewidth=1.1, zorder=3,
        )
    )  # fmt: skip


def _draw_fill(axes: "Axes", relief: Relief) -> None:
    from matplotlib.tri import Triangulation

    values, triangles = fine_surface(relief)
    if not len(triangles):
        return
    levels = np.linspace(-relief.half, relief.half, _LEVELS)
    # departures may end a hair beyond the last level
    departures = np.clip(values[:, 3], levels[0], levels[-1])
    fill = axes.tricontourf(
        Triangulation(values[:, 0], values[:, 1], triangles), departures,
        levels=levels, cmap=_colour_map(), zorder=1,
    )  # fmt: skip
    fill.set_edgecolor("face")
    fill.set_rasterized(relief.places > _FILLED_AS_SHAPES)


def _colour_map() -> "ListedColormap":
    from matplotlib.colors import ListedColormap

    return ListedColormap(colour_table() / 255.0)


def _draw_places(axes: "Axes", relief: Relief) -> None:
    if relief.places <= _MOST_DOTS:
        size = 2.6 if relief.places <= 400 else 1.2
        axes.plot(
            relief.x, relief.y, linestyle="", marker="o", markersize=size, color=_TAG_INK,
            markeredgecolor=_TAG_PAPER, markeredgewidth=0.3, zorder=4,
        )  # fmt: skip
    for contacts, marker in ((relief.upper, "^"), (relief.lower, "v")):
        axes.plot(
            contacts[:, 0], contacts[:, 1], linestyle="", marker=marker, markersize=8,
            color=_TAG_INK, markeredgecolor=_TAG_PAPER, markeredgewidth=0.9, zorder=5,
        )  # fmt: skip


def _draw_part(axes: "Axes", check: Check) -> None:
    """Frame the best spot for a part with dashes, the worst with dots."""
    from matplotlib.patches import Rectangle

    local = check.local
    if local is None:
        return
    for window, name, line in ((local.worst, "worst", ":"), (local.best, "best", "--")):
        for colour, width in ((_TAG_PAPER, 3.2), (_TAG_INK, 1.6)):
            axes.add_patch(
                Rectangle(
                    (window.left, window.front), window.width, window.depth,
                    fill=False, edgecolor=colour, linewidth=width, linestyle=line, zorder=4.5,
                )
            )  # fmt: skip
        axes.text(
            window.left + window.width / 2, window.front + window.depth / 2, name,
            fontsize=_LETTER, fontweight="bold", color=_TAG_INK, ha="center", va="center",
            zorder=4.6, bbox={"boxstyle": "round,pad=0.2", "facecolor": _TAG_PAPER,
                              "edgecolor": _TAG_INK, "linewidth": 0.7},
        )  # fmt: skip


def _draw_lifts(axes: "Axes", tags: tuple[Tag, ...], boxes: list[_Box], scale: float) -> None:
    from matplotlib.patches import FancyBboxPatch

    for tag, box in zip(tags, boxes, strict=True):
        middle = (box.left + box.right) / 2
        axes.plot(
            [tag.x, min(max(tag.x, box.left), box.right)],
            [tag.y, (box.front + box.back) / 2],
            color=_INK, linewidth=0.9, zorder=5,
        )  # fmt: skip
        axes.plot(
            [tag.x], [tag.y], linestyle="", marker="o", markersize=8, color=_TAG_PAPER,
            markeredgecolor=_TAG_INK, markeredgewidth=2.2, zorder=7,
        )  # fmt: skip
        axes.add_patch(
            FancyBboxPatch(
                (box.left, box.front), box.right - box.left, box.back - box.front,
                boxstyle=f"round,pad=0,rounding_size={0.04 / scale}",
                facecolor=_TAG_PAPER, edgecolor=_TAG_INK, linewidth=0.7, zorder=6,
            )
        )  # fmt: skip
        lines = _tag_lines(tag)
        for number, line in enumerate(lines):
            axes.text(
                middle, box.back - (_GAP / 2 + (number + 0.77) * _LINE) / scale, line,
                fontsize=_LETTER, fontweight=_weight(bool(number)), color=_TAG_INK,
                ha="center", va="baseline", zorder=8,
            )  # fmt: skip


def _draw_bar(bar: "Axes", relief: Relief) -> None:
    """Draw the colour bar, with the limit as a span of that width over it."""
    half = relief.half
    edges = np.linspace(-half, half, _LEVELS)
    centres = (edges[:-1] + edges[1:]) / 2
    bar.pcolormesh(
        edges, [0, 1], centres[None, :], cmap=_colour_map(), vmin=-half, vmax=half,
        edgecolors="face", linewidth=0.3,
    )  # fmt: skip
    bar.set(xlim=(-half, half), ylim=(0, 1), yticks=[])
    ticks = np.linspace(-half, half, 5)
    bar.set_xticks(ticks, [height_text(float(tick), half) for tick in ticks])
    bar.tick_params(labelsize=_SMALL, labelcolor=_QUIET, color=_QUIET, width=0.6, length=3)
    for spine in bar.spines.values():
        spine.set_visible(False)
    bar.set_xlabel(
        "departure from the least-squares plane, mm", fontsize=_SMALL, color=_QUIET, labelpad=2
    )
    if relief.limit is None:
        return
    reach = relief.limit / 2
    text = f"limit {relief.limit:.3f} mm from lowest to highest"
    if reach > half * (1 + 1e-9):
        text += ", beyond this bar"
    else:
        for side in (-reach, reach):
            bar.plot([side, side], [0, 1.55], color=_INK, linewidth=1.6, clip_on=False)
    bar.text(0, 1.7, text, fontsize=_SMALL, color=_QUIET, ha="center", va="bottom")


def _described(relief: Relief, tags: tuple[Tag, ...], check: Check) -> str:
    shown = f"{relief.places} places"
    low, high = relief.departure.min(), relief.departure.max()
    lifts = "; ".join(f"{tag.name}: {tag.turn}" if tag.turn else tag.name for tag in tags)
    return (
        f"{shown}, departures from the least-squares plane from {low:z.3f} to {high:z.3f} mm. "
        + (f"Lifts: {lifts}. " if lifts else "")
        + (" ".join(local_words(check.local)) if check.local else "")
    ).strip()


def _finished(svg: str, description: str) -> str:
    """Make matplotlib's file an element of a page: named, described, in the page's own colours."""
    svg = svg[svg.index("<svg") :]
    svg = svg.replace(_INK, "currentColor").replace(_QUIET, "currentColor")
    svg = svg.replace("*{stroke-linejoin", "#flat-map *{stroke-linejoin")
    svg = re.sub(r"'DejaVu Sans'(, [^;\"]*)?", _FONTS, svg)
    name = (
        '<title id="flat-map-title">The bed from above</title>'
        f'<desc id="flat-map-desc">{escape(description)}</desc>'
    )
    tag, rest = svg.split(">", 1)
    return (
        f'{tag} id="flat-map" role="img" aria-labelledby="flat-map-title flat-map-desc">'
        f"\n {name}{rest}"
    )
