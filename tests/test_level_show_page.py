"""The page: whole, self-contained, escaped, and with the answer first."""

import re
from datetime import datetime
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest

from level.cautions import CAUTIONS
from level.check import Check, check_bed
from level.machine import Machine
from level.show.check_words import check_words
from level.show.page import render_page
from level.show.words import turns_words
from level.simulator import BedShape, SimulatedMachine
from level.turns import TurnPlan, plan_turns
from probes.run import Run

GRID = np.linspace(20.0, 330.0, 5)
NASTY = '"><script>alert(1)</script>{{ 7 * 7 }}'
VOID = {"meta", "link", "img", "br", "source", "hr", "input"}


class Page(HTMLParser):
    """Reads a page strictly: what is opened must be closed, in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def count(self, tag: str) -> int:
        return sum(1 for name, _ in self.tags if name == tag)


def machine_with(names: list[str], **more: Any) -> Machine:
    corners = [(-60, -10), (410, -10), (410, 370), (-60, 370)]
    return msgspec.convert(
        {
            "name": "bench",
            "bed": {"x": [0, 350], "y": [0, 350], "plate": "aluminium 5083", "thickness": 8},
            "limits": {"flatness": 0.2, "racking": 0.1},
            "frame": {"carries": "gantry"},
            "lift": [
                {"name": name, "x": x, "y": y, "screw": "Tr8x8(P2)", "raises": "clockwise",
                 "motor_steps": 200, "microsteps": 16}
                for name, (x, y) in zip(names, corners, strict=False)
            ],
        }
        | more,
        Machine,
    )  # fmt: skip


def probed(machine: Machine, largest: float = 0.6) -> Run:
    shape = BedShape((175, 175), (175, 175), fall_x=0.1, bowl_x=0.06, twist=0.02)
    heights = np.linspace(0, largest, len(machine.lifts))
    return SimulatedMachine(machine, shape, heights=heights, sigma=0.002).probe(GRID, GRID)


def page_of(check: Check, plan: TurnPlan | None) -> str:
    answer = check_words(check) + (turns_words(plan) if plan else [])
    return render_page(check, plan, answer=answer, version="9.8.7")


@pytest.fixture(scope="module")
def four() -> tuple[Check, TurnPlan, str]:
    machine = machine_with(["front left", "front right", "back right", "back left"])
    run = probed(machine).replace(
        started=datetime(2030, 1, 2, 3, 4), bed=60, plate="smooth", warnings=("mind the tape",)
    )
    check, plan = check_bed(run, machine), plan_turns(run, machine)
    return check, plan, page_of(check, plan)


def test_page_holds_everything(four: Any) -> None:
    check, plan, html = four
    page = Page(html)
    said = page.text
    for sentence in (*check_words(check), *turns_words(plan), *CAUTIONS, *plan.warnings):
        assert sentence in said
    for move in plan.moves:
        assert said.count(move.lift) >= 4  # the answer, the map, the turns, the machine
        degrees = move.made_turns * 360
        for shown in (f"{move.made:+.3f}", f"{degrees:+.1f}", f"{move.steps:+d}"):
            assert shown in said
    for fact in (
        "mind the tape", "2030-01-02 03:04", "60.0 °C", "smooth", "5 columns x 5 rows",
        "aluminium 5083", "9.8.7", f"{check.flatness.minimum_zone:.3f} mm",
        f"{check.flatness.rms:.4f} mm", "nearer the nozzle", "simulated run",
    ):  # fmt: skip
        assert fact in said


def test_answer_comes_first(four: Any) -> None:
    check, _, html = four
    order = [html.index(part) for part in (check_words(check)[0], "<img", "<svg", "<table")]
    assert order == sorted(order)


def test_page_asks_for_nothing(four: Any) -> None:
    html = four[2]
    page = Page(html)
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object", "embed", "base")
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("src", "srcset", "href", "xlink:href", "action", "poster", "data"):
                assert (value or "").startswith(("#", "data:image/png;base64,")), (tag, name)
    for target in re.findall(r"url\(([^)]*)\)", html):
        assert target.startswith("#")
    assert "@import" not in html
    names_of_kinds = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert set(re.findall(r"https?://[^\"'\s<]*", html)) <= names_of_kinds


def test_page_can_be_found_through(four: Any) -> None:
    page = Page(four[2])
    for tag, least in (("h1", 1), ("main", 1), ("header", 1), ("footer", 1), ("svg", 1)):
        assert page.count(tag) == least
    assert page.count("table") == page.count("caption")
    assert page.count("figure") == page.count("figcaption") == 2
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for tag, attributes in page.tags:
        if tag == "img":
            assert "seen from the front" in (attributes["alt"] or "")
        if tag == "section":
            assert attributes["aria-labelledby"] in ids
        if (attributes.get("href") or "").startswith("#"):
            assert (attributes["href"] or "")[1:] in ids
        if tag == "th":
            assert attributes["scope"] in ("col", "row")
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_page_without_a_machine() -> None:
    page = Page(page_of(check_bed(probed(machine_with(["a", "b", "c"]))), None))
    said = page.text
    assert "What each lift is to do" not in said
    assert "No limit was given" in said
    for caution in CAUTIONS:
        assert caution in said


def test_everything_written_by_others_is_escaped() -> None:
    names = [NASTY, "خلف", "x" * 400, "front & right"]
    machine = machine_with(names, name=NASTY, bed={"x": [0, 350], "y": [0, 350], "plate": NASTY})
    run = probed(machine).replace(
        source=NASTY, format=NASTY, plate=NASTY, note=NASTY, warnings=(NASTY,)
    )
    html = page_of(check_bed(run, machine), plan_turns(run, machine, reference=NASTY))
    assert "<script" not in html
    page = Page(html)
    assert page.count("script") == 0
    assert page.text.count(NASTY) >= 8
    for name in names:
        assert name in page.text


def test_equal_rounds_are_told_once() -> None:
    machine = machine_with(
        ["a", "b", "c", "d"], limits={"racking": 0.05}, frame={"carries": "gantry"}
    )
    run = probed(machine, 2.0)
    plan = plan_turns(run, machine)
    assert len(plan.stages) > 3
    said = Page(page_of(check_bed(run, machine), plan)).text
    assert said.count("each of stages") == 1
    count = len(plan.stages)  # what is over, if anything, is in the last
    assert any(f"each of stages 1 to {last}" in said for last in (count - 1, count))


def test_limit_is_told_in_words() -> None:
    run = probed(machine_with(["a", "b", "c"]))
    for limit, word in ((9.0, "✓ within"), (0.001, "✗ outside")):
        assert word in Page(page_of(check_bed(run, limit=limit), None)).text


def test_no_negative_zero() -> None:
    x, y = (values.ravel() for values in np.meshgrid(GRID, GRID))
    machine = machine_with(["a", "b", "c"])
    run = Run(x=x, y=y, z=np.full(25, -1e-9) * x)
    said = Page(page_of(check_bed(run, machine), plan_turns(run, machine))).text
    assert not re.search(r"[-−]0(\.0+)?(?![\d.])", said)


def test_three_places() -> None:
    machine = machine_with(["a", "b", "c"])
    run = Run(x=[0, 300, 150], y=[0, 0, 300], z=[0, 0.1, 0.3])
    said = Page(page_of(check_bed(run, machine), plan_turns(run, machine))).text
    assert "not known" in said
    assert "these places do not tell" in said


def test_ninety_thousand_places() -> None:
    line = np.linspace(0, 350, 300)
    x, y = (values.ravel() for values in np.meshgrid(line, line))
    noise = np.random.default_rng(5).normal(0, 0.003, len(x))
    run = Run(x=x, y=y, z=0.05 * np.sin(x / 30) + 0.001 * y + noise)
    html = page_of(check_bed(run, draws=0), None)
    assert len(html) < 3_000_000
    assert "90 000" in html
    assert "of the places are drawn" in html
