"""The command line: answers, exit codes, one line for what is wrong, nothing heavy imported."""

import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from cases import DATA, MOODY, UIN

from level.cli import run_app
from level.scenario import demo_machine, demo_probing, demo_simulator
from level.show.machine_file import machine_toml
from level.simulator import BedShape, SimulatedMachine, capture
from level.turns import plan_turns

GOLDEN = sorted(path.name for path in DATA.glob("golden_*.txt"))


@pytest.fixture(name="folder")
def a_folder(tmp_path, monkeypatch):
    """A folder with the demo's machine file and first probing, to work in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "machine.toml").write_text(machine_toml(demo_machine()))
    (tmp_path / "first.txt").write_text(capture(demo_probing(demo_simulator()), "as assembled"))
    return tmp_path


@pytest.fixture
def second(folder):
    """The probing of the same machine after the turns that the first asks for."""
    simulator = demo_simulator()
    plan = plan_turns(demo_probing(simulator), demo_machine())
    for move in plan.turning:
        simulator.turn(move.lift, move.made_turns, move.direction)
    (folder / "second.txt").write_text(capture(demo_probing(simulator), "after the turns"))
    return "second.txt"


@pytest.fixture
def say(capsys):
    """Run a command; give its code, stdout and stderr."""

    def run(*arguments):
        code = run_app([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_measured_plate_of_1955(say, tmp_path, monkeypatch):
    # J. C. Moody, The Tool Engineer, October 1955 (tests/data/README.md)
    monkeypatch.chdir(tmp_path)
    code, out, err = say("check", MOODY, "--json")
    answer = json.loads(out)
    assert (code, err) == (0, "")
    assert (answer["run"]["points"], answer["run"]["places"]) == (126, 111)
    flat = answer["flatness"]
    found = [flat[key] / UIN for key in ("range", "least_squares", "minimum_zone")]
    assert found == pytest.approx([178.4114, 175.697423, 163.673050], abs=1e-6)
    upper, lower = (sorted(flat["contacts"][side]) for side in ("upper", "lower"))
    assert upper == [pytest.approx([812.8, 0]), pytest.approx([812.8, 1016])]
    assert lower == [pytest.approx([0, 406.4]), pytest.approx([1625.6, 609.6])]


@pytest.mark.usefixtures("folder")
def test_check_holds_the_keys_others_lean_on(say):
    code, out, _ = say("check", "first.txt", "--json")
    answer = json.loads(out)
    assert code == 0
    assert (answer["schema"], answer["command"], answer["warnings"]) == (1, "check", [])
    assert answer["run"] | {"x": 0, "y": 0} == {
        "source": "first.txt", "format": "captured", "points": 49, "places": 49, "rows": 7,
        "columns": 7, "x": 0, "y": 0, "holes": 0, "passed_over": 5,
    }  # fmt: skip
    assert {"fall_x", "fall_y", "tilt_mrad", "slope_x_mm_per_m", "slope_y_mm_per_m",
            "height_centre"} <= answer["plane"].keys()  # fmt: skip
    assert {"minimum_zone", "least_squares", "peak", "valley", "rms", "noise_floor", "interval",
            "contacts"} <= answer["flatness"].keys()  # fmt: skip
    assert answer["modes"].keys() == {"twist", "bow_x", "bow_y"}
    assert answer["modes"]["twist"].keys() == {"value", "sigma"}
    assert {"sigma", "sigma_source", "outliers", "drift"} <= answer["quality"].keys()
    assert answer["limits"][0].keys() == {"name", "limit", "value", "within"}
    assert answer["within"] is True
    assert "-0.0," not in out


@pytest.mark.usefixtures("folder")
def test_turns_hold_the_keys_others_lean_on(say):
    code, out, _ = say("turns", "first.txt", "--json", "--reference", "Back Left")
    answer = json.loads(out)
    assert code == 0
    assert {"name", "rise", "sigma", "turns", "degrees", "direction", "steps", "leave",
            "leverage"} <= answer["lifts"][0].keys()  # fmt: skip
    assert answer["reference"] == "back left"
    held = answer["lifts"][3]
    assert (held["rise"], held["turns"], held["direction"], held["leave"]) == (0, 0, "none", True)
    assert answer["racking"].keys() == {"added", "present", "limit"}
    assert answer["stages"][0][0].keys() >= {"name", "rise", "turns", "direction"}
    assert len(answer["after_stages"]) == len(answer["stages"])
    last = answer["after_stages"][-1]
    for name in ("fall_x", "fall_y"):
        assert last[name] == pytest.approx(answer["predicted"][name], abs=1e-9)
    assert answer["predicted"].keys() >= {
        "fall_x", "fall_y", "minimum_zone", "range_at_lifts", "height_range", "gain_of_finer",
    }  # fmt: skip
    assert len(answer["cautions"]) == 5
    for lift in answer["lifts"]:
        assert lift["turns"] == pytest.approx(lift["rise"] / 8)
        assert lift["degrees"] == pytest.approx(lift["turns"] * 360)
        assert lift["steps"] == round(lift["made_turns"] * 3200) == lift["detents"]
        assert lift["made"] == pytest.approx(lift["rise"], abs=0.0025 * 1.01)


@pytest.mark.usefixtures("folder")
def test_wishes_of_turns(say):
    code, out, err = say("turns", "first.txt", "--locked", "front left", "--together",
                         "back left=back right", "--json")  # fmt: skip
    assert (code, err) == (0, "")
    answer = json.loads(out)
    lifts = {lift["name"]: lift for lift in answer["lifts"]}
    assert lifts["front left"]["why"] == "locked"
    assert lifts["back left"]["made"] == lifts["back right"]["made"]
    zone = json.loads(say("turns", "first.txt", "--objective", "minimum-zone", "--json")[1])
    assert zone["objective"] == "minimum-zone"
    assert zone["predicted"]["height_range"] == pytest.approx(
        zone["predicted"]["minimum_zone"], abs=2e-3
    )
    part = json.loads(say("turns", "first.txt", "--area", "20:180,20:180", "--json")[1])
    assert part["area"] == [[20, 180], [20, 180]]
    text = " ".join(say("turns", "first.txt", "--corners")[1].split())
    assert "which twists the frame by 0.029 mm: undo it" in text
    text = " ".join(say("turns", "first.txt", "--area", "20:180,20:180")[1].split())
    assert "Only x 20 to 180, y 20 to 180 counts." in text


@pytest.mark.usefixtures("second")
def test_after_the_turns(say):
    code, out, err = say("turns", "first.txt", "--after", "second.txt")
    assert (code, err) == (0, "")
    assert "Stop here: what is left may be the noise of the readings." in " ".join(out.split())
    answer = json.loads(say("turns", "first.txt", "--after", "second.txt", "--json")[1])
    assert answer["pass"]["verdict"] == "stop"
    assert answer["pass"]["gain"] == pytest.approx(1, abs=0.02)
    # told half of it: the bed went twice as far
    half = [f"{lift['name']}={lift['made'] / 2}"
            for lift in json.loads(say("turns", "first.txt", "--json")[1])["lifts"]]  # fmt: skip
    moved = [word for move in half for word in ("--moved", move)]
    code, out, _ = say("turns", "first.txt", "--after", "second.txt", *moved)
    assert code == 0
    assert "Turn nothing more by a plan." in " ".join(out.split())
    assert "  lift  " not in out


@pytest.mark.usefixtures("second")
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--moved", "front left=1"), "--moved goes with --after RUN2"),
        (("--after", "second.txt", "--moved", "front left"), "must be NAME=RISE in mm"),
        (("--after", "second.txt", "--moved", "a=1", "--moved", "A=1"), "A is named twice"),
        (("--after", "second.txt", "--moved", "nose=1"), "--moved 'nose': must name one of"),
        (("--area", "20:180"), "--area '20:180': must be x0:x1,y0:y1 in mm"),
        (("--area", "180:20,0:9"), "must be x0:x1,y0:y1"),
        (("--area", "1:9,1:9"), "holds 0 of the places"),
        (("--together", "front left"), "name two or more"),
        (("--locked", "nose"), "locked lift 'nose': must be one of"),
        (("--objective", "best"), "objective 'best': must be least-squares or minimum-zone"),
    ],
)
def test_wishes_of_turns_out_of_range(options, message, say):
    code, out, err = say("turns", "first.txt", *options)
    assert (code, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1


def test_limits_and_codes(say, folder):
    assert say("check", "first.txt")[0] == 0
    code, out, _ = say("check", "first.txt", "--limit", "0.05")
    assert code == 3
    assert "OUTSIDE the limit of 0.050 mm" in " ".join(out.split())
    code, out, _ = say("check", "first.txt", "--limit", "0.05", "--json")
    assert code == 3
    assert json.loads(out)["within"] is False
    (folder / "machine.toml").unlink()
    assert json.loads(say("check", "first.txt", "--json")[1])["within"] is None


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("name", GOLDEN)
def test_golden_text(name, say):
    command, *rest = (DATA / name).read_text().split("\n", 1)[0].removeprefix("$ planish ").split()
    code, out, err = say(command, *rest)
    assert (code, err) == (0, "")
    assert out == (DATA / name).read_text().split("\n", 1)[1]
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.usefixtures("folder")
def test_part_layer_and_draws(say):
    code, out, err = say("check", "first.txt", "--part", "120x80", "--layer", "0.2")
    assert (code, err) == (0, "")
    text = " ".join(out.split())
    assert "Under a part of 120 x 80 mm the bed is flat within" in text
    assert "A first layer of 0.2 mm that forgives ±0.050 mm holds on" in text
    found = json.loads(
        say("check", "first.txt", "--part", "120x80", "--layer", "0.1", "--squash", "0.2",
            "--draws", "0", "--json")[1]
    )  # fmt: skip
    assert found["flatness"]["interval"] is None
    for name in ("worst", "best"):
        window = found["local"][name]
        assert window["x"][1] - window["x"][0] == pytest.approx(120)
        assert window["y"][1] - window["y"][0] == pytest.approx(80)
        assert window["x"][0] >= 20
        assert window["y"][1] <= 330
    assert found["local"]["worst"]["minimum_zone"] > found["local"]["best"]["minimum_zone"]
    assert found["layer"]["allowed"] == pytest.approx(0.02)
    limit = next(one for one in found["limits"] if one["name"] == "first layer")
    assert limit["limit"] == pytest.approx(0.04)
    assert not limit["within"]
    code, out, _ = say("check", "first.txt", "--layer", "0.1", "--squash", "0.2")
    assert code == 3
    assert "OUTSIDE the first layer limit of 0.040 mm" in " ".join(out.split())


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--part", "120"), "--part '120': must be width x depth in mm, as in 120x80"),
        (("--part", "120x-3"), "must be width x depth"),
        (("--part", "400x20"), "is larger than the probed rectangle, 310 x 310 mm"),
        (("--part", "5x5"), "a part of 5 x 5 mm"),
        (("--layer", "0"), "--layer 0: must be a layer's height in mm"),
        (("--layer", "0.2", "--squash", "2"), "--squash 2: must be a part of the layer"),
        (("--squash", "0.3"), "--squash goes with --layer"),
        (("--draws", "5"), "--draws 5: must be 0 for none, or from 40 to 100000"),
    ],
)
def test_options_of_check_out_of_range(options, message, say):
    code, out, err = say("check", "first.txt", *options)
    assert (code, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1


@pytest.mark.usefixtures("second")
def test_compare_two_and_more_runs(say, folder):
    code, out, err = say("compare", "first.txt", "second.txt")
    assert (code, err) == (0, "")
    text = " ".join(out.split())
    assert "The bed has changed: fall along x by +0.24" in text
    assert "errors cancel in the difference" in text
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("compare", "first.txt", "second.txt", "--json")[1])
    assert answer["changed"] is True
    assert answer["modes"].keys() == {"twist", "bow_x", "bow_y", "fall_x", "fall_y"}
    assert {"change", "sigma", "significant", "detectable"} <= answer["modes"]["twist"].keys()
    assert {"rms", "largest", "at", "p_value"} <= answer["map"].keys()
    assert answer["modes"]["fall_x"]["significant"] is True
    assert answer["modes"]["twist"]["significant"] is False
    again = capture(demo_simulator().probe([20, 97, 175, 252, 330], [20, 97, 175, 252, 330]), "5")
    (folder / "other.txt").write_text(again)
    answer = json.loads(say("compare", "first.txt", "other.txt", "second.txt", "--json")[1])
    assert [pair["runs"] for pair in answer["pairs"]] == [[0, 1], [0, 2], [1, 2]]
    assert answer["interpolated"] is True
    code, out, _ = say("compare", "first.txt", "other.txt", "second.txt")
    assert code == 0
    assert "* where the bed has changed" in out


@pytest.mark.usefixtures("folder")
def test_compare_needs_two_runs(say):
    code, out, err = say("compare", "first.txt")
    assert (code, out) == (2, "")
    assert "a comparison needs two runs or more" in err


@pytest.mark.usefixtures("folder")
def test_grid_says_how_many_places_are_enough(say):
    code, out, err = say("grid", "first.txt", "--tolerance", "0.03")
    assert (code, err) == (0, "")
    assert "3 columns x 3 rows, bilinear, are enough for 0.030 mm" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("grid", "first.txt", "--tolerance", "0.03", "--json")[1])
    assert answer["recommended"] == {"columns": 3, "rows": 3, "kind": "bilinear"}
    assert {"columns", "rows", "kind", "left_max", "left_p95"} <= answer["candidates"][0].keys()
    assert len(answer["probe_next"][0]) == 2
    code, out, err = say("grid", "first.txt", "--tolerance", "0")
    assert (code, out) == (2, "")
    assert "--tolerance 0" in err


@pytest.mark.usefixtures("second")
def test_imprint_of_one_run_and_of_a_turned_plate(say):
    code, out, err = say("imprint", "first.txt")
    assert (code, err) == (0, "")
    text = " ".join(out.split())
    assert "The profile along x, alike in every row, bends by 0.0" in text
    assert "this is no proof that the rails are at fault" in text
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("imprint", "first.txt", "--json")[1])
    assert len(answer["along_x"]["values"]) == 7
    code, out, err = say("imprint", "first.txt", "--turned", "180", "second.txt")
    assert (code, err) == (0, "")
    assert "bowl: not told; no turning tells it" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("imprint", "first.txt", "second.txt", "--turned", "180", "--json")[1])
    assert answer["plate"]["bowl"]["value"] is None
    assert answer["plate"]["s_x"]["value"] == pytest.approx(0, abs=0.005)


@pytest.mark.usefixtures("second")
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("second.txt",), "2 runs and 0 --turned"),
        (("--turned", "180"), "1 runs and 1 --turned"),
        (("second.txt", "--turned", "0"), "at the same angle"),
    ],
)
def test_imprint_says_what_is_wrong(options, message, say):
    code, out, err = say("imprint", "first.txt", *options)
    assert (code, out) == (2, "")
    assert message in err


@pytest.fixture
def warm_up(folder):
    """Probings every five minutes of a bed whose bow settles, the slow part in 30 minutes."""
    names = []
    for number, minutes in enumerate(range(0, 65, 5)):
        bow = 0.12 * np.exp(-minutes / 6) + 0.06 * np.exp(-minutes / 30)
        shape = BedShape((175, 175), (175, 175), bowl_x=0.05 + bow)
        simulated = SimulatedMachine(demo_machine(), shape, sigma=0.003, seed=number)
        names.append(f"warm{number:02}.txt")
        (folder / names[-1]).write_text(capture(demo_probing(simulated), str(number)))
    return names


def test_soak_is_not_fooled_by_a_short_window(say, warm_up):
    times = ",".join(str(5 * k) for k in range(len(warm_up)))
    code, out, err = say("soak", *warm_up[:7], "--minutes", times[:18])
    assert (code, err) == (0, "")
    assert "Not settled: " in out
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("soak", *warm_up[:7], "--minutes", times[:18], "--json")[1])
    low, high = answer["modes"]["bow_x"]["interval"]
    assert low <= -0.06 * np.exp(-30 / 30) <= high  # what truly remains
    late = json.loads(say("soak", *warm_up, "--minutes", times, "--tolerance", "0.05", "--json")[1])
    assert late["settled"] is True
    assert {"settled", "remaining", "ready_in_min", "tau_min", "why"} <= late.keys()


def test_cycles_find_slope_loop_and_set(say, folder):
    heat = [25, 60, 100, 60, 25, 60, 100, 60, 25, 60, 100, 60, 25]
    names = []
    for number, bed in enumerate(heat):
        up = number % 4 in (1, 2) or number == 0  # later cold ones are reached by cooling
        shape = BedShape((175, 175), (175, 175), twist=0.02,
                         bowl_x=0.05 + 0.001 * (bed - 25) + 0.01 * up)  # fmt: skip
        simulated = SimulatedMachine(demo_machine(), shape, sigma=0.002, seed=number)
        names.append(f"c{number:02}.txt")
        (folder / names[-1]).write_text(capture(demo_probing(simulated), str(number)))
    beds = ",".join(map(str, heat))
    code, out, err = say("cycles", *names, "--bed", beds, "--at", "80")
    assert (code, err) == (0, "")
    text = " ".join(out.split())
    assert "The bow along x goes by +0.8" in text or "The bow along x goes by +0.7" in text
    assert "At 80 degC, reached by heating:" in out
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("cycles", *names, "--bed", beds, "--at", "140", "--json")[1])
    bow = answer["modes"]["bow_x"]
    # bowl_x is over the whole bed, the bow over the probed 310 mm of 350
    assert bow["per_K"] == pytest.approx(0.001 * (155 / 175) ** 2, abs=2e-5)
    assert bow["significant"]["per_K"] is True
    assert answer["modes"]["twist"]["significant"]["per_K"] in (False, True)
    assert "too far from the temperatures seen" in answer["predicted"]["refusal"]
    code, out, err = say("cycles", *names, "--bed", "25")
    assert (code, out) == (2, "")
    assert "must be 13 temperatures" in err
    code, out, err = say("cycles", *names)
    assert (code, out) == (2, "")
    assert "its bed temperature is not known" in err


def test_soak_says_what_is_wrong(say, warm_up):
    code, out, err = say("soak", *warm_up[:3], "--minutes", "0,5")
    assert (code, out) == (2, "")
    assert "--minutes '0,5': must be 3 rising numbers" in err
    code, out, err = say("soak", *warm_up[:3], "--minutes", "0,nan,5")
    assert (code, out) == (2, "")
    assert "must be 3 rising numbers" in err
    code, out, err = say("soak", *warm_up[:3])
    assert (code, out) == (2, "")
    assert "its time is not known" in err
    code, out, err = say("soak", *warm_up[:2], "--minutes", "0,5", "--tolerance", "0")
    assert (code, out) == (2, "")
    assert "tolerance is 0 mm" in err


def test_the_book_keeps_what_happened(say, folder, warm_up):
    code, out, err = say("book", "add", *warm_up)
    assert (code, err) == (0, "")
    assert out.count(": added, run ") == len(warm_up)
    assert "first.txt" not in out
    code, out, _ = say("book", "add", warm_up[0])
    assert out == "warm00.txt: is in the book already, run 1\n"
    assert say("book", "event", "new", "plate")[0] == 0
    assert say("book", "note", "belt tightened", "--about", "3")[0] == 0
    code, out, _ = say("book", "list")
    assert code == 0
    assert "event      new plate" in out
    assert "belt tightened (run 3)" in out
    assert len(json.loads(say("book", "list", "--json")[1])["runs"]) == len(warm_up)
    shown = say("book", "show", "1")[1]
    (folder / "again.csv").write_text(shown)
    again = json.loads(say("check", "again.csv", "--json")[1])
    first = json.loads(say("check", warm_up[0], "--json")[1])
    assert again["flatness"] == first["flatness"]
    code, out, _ = say("book", "trend", "--figure", "bow-x")
    assert code == 0
    assert "bow-x over 13 runs" in out
    trend = json.loads(say("book", "trend", "--json")[1])
    assert trend["figure"] == "minimum-zone"
    assert len(trend["values"]) == len(warm_up)
    code, out, _ = say("book", "check")
    assert code == 0
    assert "planish.book: sound" in out
    assert json.loads(say("book", "check", "--json")[1])["sound"] is True
    again = json.loads(say("book", "add", warm_up[1], "--json")[1])
    assert again["added"] == [{"source": "warm01.txt", "id": 2, "new": False}]
    assert say("book", "export", "out")[0] == 0
    assert say("book", "import", "out", "--book", "copy.book")[0] == 0
    copy = say("book", "list", "--book", "copy.book", "--json")[1]
    assert json.loads(copy)["runs"] == json.loads(say("book", "list", "--json")[1])["runs"]
    data = bytearray((folder / "planish.book").read_bytes())
    data[:100] = bytes(100)
    (folder / "hurt.book").write_bytes(data)
    assert say("book", "list", "--book", "hurt.book")[0] == 2
    code, out, _ = say("book", "rescue", "saved", "--book", "hurt.book")
    assert code == 0
    assert "13 runs" in out


def test_a_run_on_one_line_is_left_out_of_a_trend(say, folder, warm_up):
    (folder / "line.txt").write_text("0 0 0.1\n10 0 0.2\n20 0 0.1\n")
    say("book", "add", "line.txt", *warm_up)
    code, out, err = say("book", "trend")
    assert (code, err) == (0, "")
    assert "minimum-zone over 13 runs" in out
    assert "Note: run 1 does not tell minimum-zone and is left out" in out
    assert say("book", "event", "new\nplate")[0] == 0
    assert "event      new plate" in say("book", "list")[1]


@pytest.mark.parametrize(
    "question", [("soak", "--minutes", "0,5,10"), ("cycles", "--bed", "20,50,80")]
)
def test_three_places_tell_no_shape(question, say, folder):
    for number in range(3):
        (folder / f"r{number}.txt").write_text(f"0 0 0.1\n100 0 0.2\n0 100 0.1{number}\n")
    code, out, err = say(question[0], "r0.txt", "r1.txt", "r2.txt", *question[1:])
    assert (code, out) == (2, "")
    assert "r0.txt: its 3 places show no tilt or shape of their own" in err


@pytest.mark.usefixtures("folder")
def test_few_cycles_do_not_pass_for_a_steady_bed(say):
    runs = ["first.txt", "first.txt"]
    text = " ".join(say("cycles", *runs, "--bed", "25,100")[1].split())
    assert "cannot be told from its scatter" in text
    assert "No fall, twist or bow" not in text
    text = " ".join(say("cycles", *runs, "--bed", "25,25")[1].split())
    assert "does not tell how the bed goes with temperature" in text
    code, out, err = say("cycles", *runs, "--bed", "25,nan")
    assert (code, out) == (2, "")
    assert "must be 2 temperatures" in err


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("sing",), "book 'sing': must be one of add, list"),
        (("list",), "planish.book"),
        (("add",), "name the runs to add"),
        (("show", "x"), "give the number of one run"),
        (("note",), "say what, after it"),
        (("export",), "name the folder or .zip to write"),
        (("list", "extra"), "takes nothing after it"),
    ],
)
def test_the_book_says_what_is_wrong(arguments, message, say, folder):
    if arguments[0] in ("show", "note", "export") or len(arguments) > 1:
        say("book", "add", "first.txt")
    code, out, err = say("book", *arguments)
    assert (code, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1
    assert (folder / "first.txt").exists()


@pytest.fixture
def trials(folder):
    """Probings of the demo's machine with one drive reversed and one of half the lead."""
    simulator = demo_simulator()
    other = {"clockwise": "counterclockwise", "counterclockwise": "clockwise"}
    names = ["run1.txt"]
    (folder / "run1.txt").write_text(capture(demo_probing(simulator), "1"))
    for number, (lift, turns, way) in enumerate(
        [("front left", 0.01, "clockwise"), ("front right", 0.02, "clockwise"),
         ("back right", 0.02, other["clockwise"]), ("back left", 0.02, "clockwise")], 2,
    ):  # fmt: skip
        simulator.turn(lift, turns, way)
        names.append(f"run{number}.txt")
        (folder / names[-1]).write_text(capture(demo_probing(simulator), str(number)))
    told = [("front left"), ("front right"), ("back right"), ("back left")]
    return [*names, *(word for lift in told for word in ("--moved", f"{lift}=+0.16"))]


def test_verify_tells_what_each_lift_does(say, trials):
    code, out, err = say("verify", *trials, "--save", "response.json")
    assert code == 0
    assert err == "response.json: written\n"
    text = " ".join(out.split())
    assert "front left told to rise: rises, but half as far" in text
    assert "A lead of 4 mm, not 8" in text
    assert "back right told to rise: sinks" in text
    assert "front right does what it is told" in text
    assert max(map(len, out.splitlines())) <= 80
    answer = json.loads(say("verify", *trials, "--json")[1])
    lifts = {lift["name"]: lift for lift in answer["lifts"]}
    assert lifts["back right"]["verdict"] == "reversed"
    assert lifts["front left"]["suggested_lead"] == pytest.approx(4, abs=0.2)
    assert {"name", "gain", "gain_sigma", "verdict", "answers_as", "suggested_lead"} <= lifts[
        "back left"
    ].keys()
    code, out, _ = say("turns", "run5.txt", "--response", "response.json")
    assert code == 0
    text = " ".join(out.split())
    assert "by the response file, the drive back right turns the other way" in text
    assert "by the response file, the drive front left travels 4 mm a turn" in text


@pytest.mark.usefixtures("folder")
def test_verify_by_a_ruler(say):
    code, out, err = say("verify", "--measured", "front left=25.1", "--moved", "front left=+50")
    assert (code, err) == (0, "")
    assert "rises, but half as far" in out
    assert "back left: not clear, never moved." in out


@pytest.mark.usefixtures("folder")
def test_verify_plans_trials(say):
    code, out, err = say("verify", "--plan")
    assert (code, err) == (0, "")
    assert "planish verify RUN1 RUN2 RUN3 RUN4 RUN5" in out
    assert out.count("--moved") == 4
    assert max(map(len, out.splitlines())) <= 90
    answer = json.loads(say("verify", "first.txt", "--plan", "--json", "--gain-sigma", "0.1")[1])
    assert answer["racking_worst"] < answer["racking_limit"]
    assert len(answer["steps"]) == answer["probings"] - 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "no trials: give a run before"),
        (("run1.txt",), "1 run: a trial needs a probing before and one after"),
        (("run1.txt", "run2.txt"), "0 --moved for 1 moves between the runs"),
        (("run1.txt", "run2.txt", "--moved", "front left"), "must be NAME=RISE in mm"),
        (("run1.txt", "run2.txt", "--moved", "front left=a"), "'a' is no rise"),
        (("run1.txt", "run2.txt", "--moved", "nose=1"), "there is no lift 'nose'"),
        (("run1.txt", "run1.txt", "--moved", "front left=1"), "are the same probing"),
        (("run1.txt", "run2.txt", "--moved", "front left=0.001"), "too small to tell"),
        (("--measured", "front left=1"), "say what front left was told with --moved"),
        (("--moved", "front left=1"), "--moved needs the probings before and after"),
        (("run1.txt", "run2.txt", "--plan"), "--plan takes the places of one run"),
        (("run1.txt", "run2.txt", "run3.txt", "--pairs"), "3 runs: a trial needs"),
        (("--datum", "sky", "--plan"), "datum 'sky'"),
        (("--plan", "--save", "x.json"), "--plan makes a plan only"),
        (("run1.txt", "--instrument-sigma", "0"), "--instrument-sigma 0: must be a number of mm"),
        (("--plan", "--gain-sigma", "0"), "(--gain-sigma) is 0"),
    ],
)
@pytest.mark.usefixtures("trials")
def test_verify_says_what_is_wrong(arguments, message, say):
    code, out, err = say("verify", *arguments)
    assert (code, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1


def write(folder, name, text):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return name


BAD_RUNS = {
    "empty": ("", "is empty"),
    "one point": ("x,y,z\n1,2,3\n", "there are 1 place"),
    "three collinear points": ("0 0 1\n100.1 100.1 2\n300.3 300.3 3\n", "stand on one line"),
    "letters": ("x,y,z\n1,2,3\n4,five,6\n7,8,9\n", "line 3: 'five' in column y is not"),
    "two units": ("x [mm],y [in],z [mm]\n1,2,3\n4,5,6\n7,9,9\n", "x is in mm and y in in"),
    "nan": ("x,y,z\n1,2,nan\n4,5,6\n7,9,9\n", "line 2: 'nan' in column z is not"),
    "inf": ("x,y,z\n1,2,3\n4,inf,6\n7,9,9\n", "line 3: 'inf' in column y is not"),
    "binary": (b"\x7fELF\x02\x01\0\0\0", "is a binary file"),
    "outside the bed": ("0 0 1\n350 0 1\n0 900 1\n", "x 0, y 900 lies outside the bed"),
}


@pytest.mark.parametrize("command", ["check", "turns", "report", "view"])
@pytest.mark.parametrize("case", BAD_RUNS)
def test_bad_runs_get_one_line(case, command, say, folder):
    text, message = BAD_RUNS[case]
    extra = {"report": ("-o", "page.html"), "view": ("--save", "bed.png")}.get(command, ())
    code, out, err = say(command, write(folder, "bad.txt", text), *extra)
    assert (code, out) == (2, "")
    assert message in err
    assert err.startswith("planish: bad.txt") or "place" in err
    assert err.count("\n") == 1
    assert {path.name for path in folder.iterdir()} == {"machine.toml", "first.txt", "bad.txt"}


BAD_MACHINES = {
    "misspelt key": ("sigma", "sigam", "key 'sigam' is not known; did you mean sigma?"),
    "two lifts at one spot": ("x = 410\ny = 370", "x = -60\ny = 370", "stand at one spot"),
    "zero lead": ('screw = "Tr8x8(P2)"', "lead = 0", "lead is 0; it must be"),
    "no TOML": ("[bed]", "[bed", "is not valid TOML"),
}


@pytest.mark.parametrize("case", BAD_MACHINES)
def test_bad_machines_get_one_line(case, say, folder):
    old, new, message = BAD_MACHINES[case]
    text = (folder / "machine.toml").read_text()
    assert old in text
    write(folder, "other.toml", text.replace(old, new, 1))
    code, out, err = say("turns", "first.txt", "--machine", "other.toml")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert message in err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("check", "none.txt"), "none.txt: there is no such file"),
        (("check", "."), "is a folder"),
        (("check", "first.txt", "--machine", "none.toml"), "there is no such machine file"),
        (("check", "first.txt", "--limit", "0"), "--limit 0: must be a flatness in mm above zero"),
        (("check", "first.txt", "--limit", "much"), "--limit"),
        (("check", "first.txt", "--colour"), "No such option: --colour"),
        (("check",), "Missing argument 'RUN'"),
        (("chekc", "first.txt"), "No such command 'chekc'"),
        (("check", "first.txt", "--format", "poem"), "must be one of columns, matrix, captured"),
        (("check", "first.txt", "--x", "20"), "--x '20': must be first:last"),
        (("turns", "first.txt", "--reference", "roof"), "reference 'roof': must be least-motion"),
        (("turns", "first.txt", "--detent", "-1"), "detent -1: must be a number of turns"),
        (("report", "first.txt", "-o", "none/page.html"), "the folder none does not exist"),
        (("view", "first.txt", "--save", "none/bed.png"), "the folder none does not exist"),
        (("view", "first.txt", "--save", "bed.doc"), ".png"),
        (("init",), "machine.toml: exists; name another folder, or say --force"),
        (("init", "none"), "none: there is no such folder"),
        (("init", "--force", "--lifts", "0"), "--lifts 0: must be a whole number from 1 to 100"),
        (("init", "--force", "--carries", "roof"), "--carries 'roof': must be bed or gantry"),
        (("init", "--force", "--screw", "rod"), "screw 'rod' is no ISO designation"),
        (("demo", "first.txt"), "first.txt: is a file"),
    ],
)
def test_bad_requests_get_one_line(arguments, message, say, folder):
    before = (folder / "machine.toml").read_text()
    code, out, err = say(*arguments)
    assert (code, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1
    assert (folder / "machine.toml").read_text() == before


def test_a_200_mb_line_is_refused_quickly(say, folder):
    with (folder / "long.txt").open("wb") as stream:
        for _ in range(200):
            stream.write(b"1 2 3 " * 175_000)
    code, _, err = say("check", "long.txt")
    assert code == 2
    assert "long.txt line 1: is over 1,000,000 characters long" in err


def test_turns_without_a_machine_file_say_so(say, folder):
    (folder / "machine.toml").unlink()
    code, _, err = say("turns", "first.txt")
    assert code == 2
    assert "machine.toml: there is no such machine file; `planish init` writes one" in err


@pytest.mark.parametrize("lifts", range(1, 8))
def test_init_writes_a_machine_that_works(lifts, say, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO())
    (tmp_path / "run.csv").write_text("0 0 0\n300 0 .1\n0 300 0\n300 300 .2\n")
    assert say("init", "--lifts", lifts, "--motors", "--carries", "gantry")[0] == 0
    code, out, _ = say("turns", "run.csv", "--json")
    assert code == 0
    assert len(json.loads(out)["lifts"]) == lifts


def test_reading_options_reach_the_reader(say, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write(tmp_path, "bare.txt", "0 100 200\n0 100 200\n")
    code, out, _ = say("check", "bare.txt", "--json", "--x", "0:200", "--y", "10:110", "--rows",
                       "back-first", "--unit", "um", "--high", "down")  # fmt: skip
    plane = json.loads(out)["plane"]
    assert code == 0
    assert (plane["fall_x"], plane["fall_y"]) == pytest.approx((-0.2, 0), abs=1e-12)
    write(
        tmp_path, "log.txt", "\n".join(f"at {x}/{y} is {x / 1000}" for x in (0, 9) for y in (0, 9))
    )
    code, out, _ = say("check", "log.txt", "--json", "--line", "at {x}/{y} is {z}")
    assert json.loads(out)["plane"]["fall_x"] == pytest.approx(0.009)


@pytest.mark.usefixtures("folder")
def test_repeat_holds_the_keys_others_lean_on(say):
    x = [20, 330, 20, 330, 20] * 4
    Path("r.csv").write_text(
        "x,y,z\n" + "".join(f"{a},20,{0.001 * (k * 7 % 5) + a / 1e3}\n" for k, a in enumerate(x))
    )
    code, out, _ = say("repeat", "r.csv", "--json")
    answer = json.loads(out)
    assert code == 0
    assert {"sigma", "interval", "touches", "places", "drift", "outliers", "resolution",
            "first_touch_differs"} <= answer.keys()  # fmt: skip
    assert (answer["touches"], answer["places"]) == (20, 2)
    assert answer["interval"][0] < answer["sigma"] < answer["interval"][1]
    assert {"value", "significant"} <= answer["drift"].keys()
    code, out, _ = say("repeat", "r.csv")
    assert code == 0
    assert "The probe repeats to" in out
    assert "[probe] sigma = " in out
    code, _, err = say("repeat", "first.txt")
    assert code == 2
    assert "no place was touched twice" in err


@pytest.mark.usefixtures("folder")
def test_repeat_takes_every_probing_of_a_log(say):
    text = Path("first.txt").read_text()
    Path("two.txt").write_text(text + text.replace("+0.0", "+0.1"))
    answer = json.loads(say("repeat", "two.txt", "--json")[1])
    assert len(answer["runs"]) == 2
    assert answer["set_ups"]["set_up"] > 0
    warnings = json.loads(say("check", "two.txt", "--json")[1])["warnings"]
    assert any("the log holds 2 probings; number 2 was taken" in warning for warning in warnings)
    assert json.loads(say("check", "two.txt", "--run", "1", "--json")[1])["run"]["points"] == 49
    code, _, err = say("check", "two.txt", "--run", "3")
    assert (code, "--run 3: the source holds 2 probings" in err) == (2, True)


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("ending", ["csv", "json", "sdf", "x3p", "vtp"])
def test_convert_keeps_the_answer(ending, say):
    code, out, err = say("convert", "first.txt", f"run.{ending}")
    assert (code, out, err) == (0, "", f"run.{ending}: written\n")
    zones = [json.loads(say("check", name, "--json")[1])["flatness"]["minimum_zone"]
             for name in ("first.txt", f"run.{ending}")]  # fmt: skip
    # SDF moves places printed to a tenth of a millimetre onto equal steps
    assert zones[1] == pytest.approx(zones[0], rel=1e-3 if ending == "sdf" else 1e-9)


@pytest.mark.usefixtures("folder")
def test_convert_refuses_other_endings(say):
    code, _, err = say("convert", "first.txt", "run.doc")
    assert code == 2
    assert "ending '.doc': must be one of .csv, .txt, .json, .sdf, .x3p, .vtp, .vtk, .ply" in err


@pytest.mark.usefixtures("folder")
def test_grades_are_yardsticks(say):
    code, out, _ = say("check", "first.txt", "--grade")
    text = " ".join(out.split())
    # ISO 8512-2 grade 3 on 350 x 350 mm: diagonal 495, so 500: 0.024 x 500 + 20 = 32 um
    assert "surface plates of 350 x 350 mm" in text
    assert "2.6 times what ISO 8512-2 grade 3 allows (0.0320 mm)" in text
    assert "grade" not in say("check", "first.txt")[1]
    answer = json.loads(say("check", "first.txt", "--json")[1])
    assert [g["standard"] for g in answer["grades"]] == ["ISO 8512-2", "DIN 876", "GGG-P-463c"]
    assert not any(g["met"] for g in answer["grades"])
    assert (code, answer["within"]) == (0, True)


@pytest.mark.usefixtures("folder")
def test_drift_is_taken_out_on_request(say):
    lines = Path("first.txt").read_text().splitlines()
    touches = [line for line in lines if line.startswith("touch")]
    moved = []
    for k, line in enumerate([*touches, touches[0]]):
        head, _, z = line.rpartition(" z ")
        moved.append(f"{head} z {float(z) + 0.05 * k / 49:+.4f}")
    Path("drift.txt").write_text("\n".join(moved))
    kept = json.loads(say("check", "drift.txt", "--json")[1])
    assert kept["quality"]["drift"]["significant"]
    assert kept["quality"]["drift"]["value"] == pytest.approx(0.05, abs=0.001)
    assert "--drift correct takes that out" in say("check", "drift.txt")[1].replace("\n", " ")
    right = json.loads(say("check", "drift.txt", "--json", "--drift", "correct")[1])
    true = json.loads(say("check", "first.txt", "--json")[1])
    assert not right["quality"]["drift"]["significant"]
    assert "was taken out" in right["warnings"][0]
    for axis in ("x", "y"):
        assert right["plane"][f"fall_{axis}"] == pytest.approx(
            true["plane"][f"fall_{axis}"], abs=0.002
        )
    assert abs(kept["plane"]["fall_y"] - true["plane"]["fall_y"]) > 0.03
    code, out, _ = say("check", "first.txt", "--drift", "correct", "--json")
    assert "drift cannot be told" in json.loads(out)["warnings"][0]
    code, _, err = say("turns", "first.txt", "--drift", "maybe")
    assert (code, "--drift 'maybe': must be keep or correct" in err) == (2, True)


@pytest.mark.usefixtures("folder")
def test_check_says_what_is_doubtful(say):
    lines = Path("first.txt").read_text().splitlines()
    which = next(k for k, line in enumerate(lines) if line.startswith("touch  17"))
    head, _, z = lines[which].rpartition(" z ")
    lines[which] = f"{head} z {float(z) + 0.5:+.4f}"
    Path("bad.txt").write_text("\n".join(lines))
    code, out, _ = say("check", "bad.txt", "--limit", "2")
    assert code == 0
    assert "Probe again, they stand apart: x 123 y 123" in out.replace("\n", " ")
    answer = json.loads(say("check", "bad.txt", "--json")[1])
    assert [(spot["x"], spot["alone"]) for spot in answer["quality"]["outliers"]] == [(123.3, True)]
    assert answer["quality"]["drift"] is None


def test_help_and_version(say):
    code, out, _ = say()
    assert code == 0
    for command in ("demo", "init", "check", "turns", "repeat", "report", "view", "convert"):
        assert f"\n  {command} " in out
        code, text, _ = say(command, "--help")
        assert code == 0
        assert f"Example: planish {command}" in text
    code, out, _ = say("--version")
    assert (code, out.split()[0]) == (0, "planish")


def run(*arguments, **options):
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, check=False, **options
    )


@pytest.mark.usefixtures("folder")
def test_the_text_answer_imports_nothing_heavy():
    code = (
        "import sys; from level.cli import run_app; run_app(['check', 'first.txt']); "
        "print(sorted({n.split('.')[0] for n in sys.modules} & "
        "{'scipy', 'pyvista', 'vtkmodules', 'matplotlib', 'jinja2', 'PIL', 'pandas'}))"
    )
    assert run("-c", code).stdout.splitlines()[-1] == "[]"


def test_the_program_starts_as_a_module_and_reads_standard_input(folder):
    text = (folder / "first.txt").read_text()
    done = run("-m", "level", "check", "-", "--json", input=text)
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["run"]["source"] == "standard input"
    assert run("-m", "level", "check", "none").returncode == 2


@pytest.mark.usefixtures("folder")
def test_a_reader_that_stops_early_is_no_fault():
    command = f"{sys.executable} -m level turns first.txt | head -1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert done.stderr == ""


@pytest.mark.usefixtures("folder")
def test_a_bug_keeps_its_traceback():
    code = (
        "import level.check, level.__main__, sys; sys.argv = ['planish', 'check', 'first.txt']\n"
        "def broken(*a, **k): raise ZeroDivisionError\n"
        "level.check.check_bed = broken; level.__main__.main()"
    )
    done = run("-c", code)
    assert done.returncode == 1
    assert "ZeroDivisionError" in done.stderr


def test_demo_does_the_whole_job(say, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = say("demo")
    assert (code, err) == (0, "")
    made = {path.name for path in (tmp_path / "planish-demo").iterdir()}
    assert made == {"machine.toml", "first.txt", "second.txt", "report.html"}
    assert "The tilt is gone" in out
    assert "With your own machine:" in out
    monkeypatch.chdir(tmp_path / "planish-demo")
    falls = [
        json.loads(say("check", name, "--json")[1])["plane"] for name in ("first.txt", "second.txt")
    ]
    assert max(abs(falls[0]["fall_x"]), abs(falls[0]["fall_y"])) > 0.2
    for axis in ("x", "y"):
        assert abs(falls[1][f"fall_{axis}"]) < 4 * falls[1][f"fall_{axis}_sigma"]
    # again over its own files, but never over others
    monkeypatch.chdir(tmp_path)
    assert say("demo")[0] == 0
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    code, _, err = say("demo", "mine")
    assert (code, "holds other files already" in err) == (2, True)
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["notes.txt"]


@pytest.mark.parametrize("ending", ["png", "vtp", "ply"])
def test_view_saves_without_a_word_of_the_renderer(ending, folder):
    done = run("-m", "level", "view", "first.txt", "--save", f"bed.{ending}")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", f"bed.{ending}: written\n")
    assert (folder / f"bed.{ending}").stat().st_size > 1000


@pytest.mark.usefixtures("folder")
def test_report_is_one_file():
    done = run("-m", "level", "report", "first.txt", "-o", "page.html")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "page.html: written\n")
    page = Path("page.html").read_text()
    assert "front left" in page
    assert page.lower().startswith("<!doctype html>")
