import pytest
from cases import table

from level.drive import COARSE_PITCH_MM, belt_lead, screw_lead
from probes import MachineError


@pytest.mark.parametrize(
    "row", table("threads.csv"), ids=lambda row: f"{row['thread']} {row['pitch_mm']}"
)
def test_published_pitches(row):
    # ISO 261, ISO 262 and ISO 2904 (tests/data/threads.csv)
    pitch = float(row["pitch_mm"])
    if row["note"] == "coarse":
        assert screw_lead(row["thread"]) == pitch
        assert COARSE_PITCH_MM[float(row["thread"][1:])] == pitch
    else:
        assert screw_lead(f"{row['thread']}x{row['pitch_mm']}") == pitch


@pytest.mark.parametrize(
    ("designation", "lead"),
    [
        ("Tr 60 x 18 (P9)", 18),  # ISO 2904: two starts
        ("Tr20x20(P5)", 20),  # four starts
        ("Tr8x8(P2)", 8),  # common practice, no source
        ("tr8x2", 2),
        ("M4x0.5", 0.5),
        ("M4×0,5", 0.5),
        ("M16xPh3P1.5", 3),  # ISO 965-1: lead 3, pitch 1.5
        ("M8 - 6H", 1.25),
        (" m5 ", 0.8),
        ("Tr10x2 - LH", 2),
    ],
)
def test_leads(designation, lead):
    assert screw_lead(designation) == lead


def test_belts():
    # a 20-tooth pulley on a 2 mm belt moves 40 mm a turn: common practice, no source
    assert belt_lead(2, 20) == 40
    assert belt_lead(2, 16, 4) == 8


@pytest.mark.parametrize(
    ("designation", "message"),
    [
        ("8 mm", "is no ISO designation; write it as M4"),
        ("", "is no ISO designation"),
        ("Tr8", "is no ISO designation"),
        ("M7", "no coarse pitch is known for this diameter"),
        ("M4x", "is no ISO designation"),
        ("M3x500", "a lead of 500 mm is no screw's"),
        ("M4x0", "no coarse pitch|above zero"),
        ("Tr8x0", "must be above zero"),
        ("Tr8x8(P0)", "must be above zero"),
        ("Tr8x7(P2)", "the lead 7 is no whole multiple of the pitch 2"),
    ],
)
def test_what_is_no_screw_is_refused(designation, message):
    with pytest.raises(MachineError, match=message):
        screw_lead(designation)
