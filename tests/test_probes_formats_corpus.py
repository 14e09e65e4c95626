"""Run files as people have them: each in tests/data/runs, with what it must hold."""

import json

import numpy as np
import pytest
from cases import DATA

from probes import ReadOptions, read_run, read_runs

RUNS = DATA / "runs"
EXPECTED = json.loads((RUNS / "expected.json").read_text())
SINGLE = (".ply",)
"""Formats that keep single precision."""


def options_of(case):
    given = dict(case.get("options", {}))
    for axis in ("x", "y"):
        if axis in given:
            given[axis] = tuple(given[axis])
    return ReadOptions(**given)


def check_points(run, points, exact=True):
    found = np.column_stack((run.x, run.y, run.z))
    assert found.shape == np.shape(points)
    assert found == pytest.approx(np.array(points, dtype=float), abs=1e-12 if exact else 1e-5)


def test_no_file_is_forgotten():
    assert {path.name for path in RUNS.iterdir()} == {*EXPECTED, "expected.json"}
    assert len(EXPECTED) >= 40


@pytest.mark.parametrize("name", EXPECTED)
def test_file_reads_as_expected(name):
    case = EXPECTED[name]
    run = read_run(RUNS / name, options_of(case))
    check_points(run, case["points"], not name.endswith(SINGLE))
    for key in ("holes", "passed_over", "plate"):
        if key in case:
            assert getattr(run, key) == case[key]
    for key in ("minutes", "bed"):
        if key in case:
            assert getattr(run, key).tolist() == case[key]
    if "started" in case:
        assert run.started.isoformat() == case["started"]


@pytest.mark.parametrize("name", [name for name, case in EXPECTED.items() if "runs" in case])
def test_every_probing_of_a_log_is_there(name):
    case = EXPECTED[name]
    runs = read_runs(RUNS / name, options_of(case))
    assert len(runs) == len(case["runs"])
    for run, points in zip(runs, case["runs"], strict=True):
        check_points(run, points)
    most = max(len(points) for points in case["runs"])
    for run, points in zip(runs, case["runs"], strict=True):
        broken = any("was broken off after" in warning for warning in run.warnings)
        assert broken == (len(points) < most)
    if any(len(points) < most for points in case["runs"]):
        chosen = read_run(RUNS / name)
        assert len(chosen.places) == most
        assert any("was broken off after" in warning for warning in chosen.warnings)
    assert any("--run takes another" in warning for warning in read_run(RUNS / name).warnings)
