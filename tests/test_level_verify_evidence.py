import numpy as np
import pytest
from cases import machine
from scipy.stats import multivariate_normal
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.changes import find_changes
from level.verify.evidence import Evidence, normal_law
from level.verify.explanation import GOOD, LOOSE_GAIN, LOOSE_PLACE, PLAY, WAYS
from level.verify.trials import Reading, check_trials

LIFTS = machine([(0, 0), (300, 0), (150, 300)], probe={"sigma": 0.005})
NAMES = ("A", "B", "C")
FLAT = BedShape((150, 150), (150, 150))
MOVES = [
    {"A": 0.2},
    {"B": 0.2},
    {"A": -0.2},
    {"C": 0.1, "B": 0.1},
    {"C": -0.3},
    {"A": 0.1, "B": 0.2},
]


def evidence(moves=MOVES, readings=(), **faults):
    trials = check_trials(Faulty(LIFTS, FLAT, sigma=0.005, **faults).trials(moves), LIFTS)
    return Evidence(find_changes(trials, LIFTS), tuple(readings), NAMES)


def plain_law(found, lift_of, gains, loose):
    """Mean and covariance of the raw changes, written out drive by drive."""
    changes = found.changes
    mean, covariance = np.zeros_like(changes.values), changes.covariance.copy()
    for j in range(3):
        way = changes.per_unit[:, lift_of[j]]
        mean += gains[j] * np.outer(changes.moved[:, j], way)
        along = np.kron(changes.moved[:, j], way)
        lost = np.kron(changes.turned_back[:, j], way)
        covariance += loose[j] ** 2 * np.outer(along, along) + PLAY**2 * np.outer(lost, lost)
        for k in range(2):
            free = np.kron(changes.moved[:, j], np.eye(2)[k])
            covariance += (gains[j] * LOOSE_PLACE) ** 2 * way @ way * np.outer(free, free)
    return mean.ravel(), covariance


def test_likelihoods_differ_as_those_of_the_raw_changes():
    # the figures are whitened and what no drive reaches is left out: differences must not change
    found = evidence()
    ratio = next(k for k, way in enumerate(WAYS) if way.gain == 2)
    said = [([0, 1, 2], [GOOD] * 3), ([1, 0, 2], [GOOD, 1, GOOD]), ([0, 2, 1], [ratio, 1, GOOD])]
    ours, _ = found.log_likelihood(*(np.array(part) for part in zip(*said, strict=True)))
    theirs = []
    for lift_of, way_of in said:
        gains = [WAYS[way].gain for way in way_of]
        mean, covariance = plain_law(found, lift_of, gains, [LOOSE_GAIN * abs(g) for g in gains])
        theirs.append(multivariate_normal(mean, covariance).logpdf(found.changes.values.ravel()))
    assert np.diff(ours) == pytest.approx(np.diff(theirs), rel=1e-9)
    assert len(found.values) < found.changes.values.size


def test_chi_square_is_small_for_the_truth():
    # expectation: as many as there are figures, at most, for small faults are allowed on top
    values = []
    for seed in range(40):
        found = evidence(seed=seed)
        _, chi = found.log_likelihood(np.array([[0, 1, 2]]), np.array([[GOOD] * 3]))
        values.append(float(chi[0]) / len(found.values))
    assert 0.3 < np.mean(values) < 1


def test_a_reading_is_worth_its_sigma():
    found = evidence([{"A": 0.2}], [Reading("B", 48.0, 50.0, 0.5)])
    _, chi = found.log_likelihood(
        np.array([[0, 1, 2], [0, 2, 1]]), np.array([[GOOD] * 3, [GOOD] * 3])
    )
    # told 50, loose by 4 %, or another lift moves and this one stays
    trial_alone = evidence([{"A": 0.2}])
    _, rest = trial_alone.log_likelihood(np.array([[0, 1, 2]]), np.array([[GOOD] * 3]))
    assert chi[0] - rest[0] == pytest.approx(2.0**2 / (0.5**2 + (50 * LOOSE_GAIN) ** 2))
    assert chi[1] - rest[0] == pytest.approx(48.0**2 / 0.5**2)


def test_one_drive_is_judged_whatever_the_others_do():
    found = evidence(lift_of=[1, 2, 0])
    for drive, lift in enumerate([1, 2, 0]):
        score = found.of_one(drive)
        assert np.unravel_index(score[:, :3].argmax(), (3, 3)) == (lift, GOOD)


def test_normal_law_is_scipys():
    random = np.random.default_rng(1)
    root = random.normal(size=(4, 3, 3))
    covariance, away = root @ root.transpose(0, 2, 1) + np.eye(3), random.normal(size=(4, 3))
    ours, chi = normal_law(away, covariance)
    theirs = [
        multivariate_normal(np.zeros(3), c).logpdf(a) for a, c in zip(away, covariance, strict=True)
    ]
    assert ours - 1.5 * np.log(2 * np.pi) == pytest.approx(theirs)
    assert chi == pytest.approx(
        [a @ np.linalg.solve(c, a) for a, c in zip(away, covariance, strict=True)]
    )
