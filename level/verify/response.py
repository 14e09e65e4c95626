"""Response: read from trials whether every lift did what it was told."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

import numpy as np

from level.influence import racking_limit
from level.machine import Machine
from level.verify.agreement import check_agreement, check_readings_agree
from level.verify.candidates import search
from level.verify.changes import Changes, Datum, find_changes
from level.verify.decider import Decider, find_decider
from level.verify.design import safe_rise
from level.verify.evidence import Evidence
from level.verify.explanation import GOOD, MISPLACED, WAYS, left_over, log_prior
from level.verify.gains import Gain, OwnWay, find_gains, find_own_ways
from level.verify.misplaced import at_true_place, find_misplaced
from level.verify.trials import Moved, Reading, Trial, check_readings, check_trials
from level.verify.verdict import SURE, Drive, Explanation, LiftResponse, Response, Verdict
from probes.errors import MachineError, RequestError
from probes.run import Ints, Run

__all__ = ["Drive", "Explanation", "LiftResponse", "Response", "Verdict", "read_response"]

NEVER_MOVED = "never moved"
NO_TILT = "its rise does not tilt what it carries"
TOO_SMALL = "moved too little to tell"
ELSEWHERE = "seems to stand elsewhere"
ELSEWHERE_OR_SOFT = "seems to stand elsewhere, or to carry more or less than its share"
ODD = "moves the carriage as no lift of this machine would"
SEVERAL = "more than one explanation fits"

_TELLS = 1 / 3
"""Standard deviation of a gain up to which stuck and good, 0 and 1, can be told apart."""

_WANTED = 0.2
"""Standard deviation of a gain that a larger move is asked for."""

_NEAR = 0.05
"""A gain within this part of a ratio is that ratio."""

_WEIGHED = 1e-4
"""Share below which an explanation is not looked at further."""

_LARGE = 50.0

_VAGUE = 0.07
"""Standard deviation of a gain from which leads of 4 and 5 mm are not told apart for sure."""


def read_response(
    trials: Iterable[Trial | tuple[Run, Moved, Run]],
    machine: Machine,
    *,
    readings: Iterable[Reading] = (),
    datum: Datum = "bed",
) -> Response:
    """Read from trials how each lift responds.

    Parameters
    ----------
    trials : iterable of Trial or of (before, moved, after)
        Probings before and after moves, in the order they were made; `moved` gives the commanded
        rises by lift, mm, + = up. A run may end one trial and begin the next. Levelling passes
        do as well as moves made for the purpose, if what was commanded was written down.
    machine : Machine
        The machine.
    readings : iterable of Reading
        What a ruler or a dial indicator read at lifts.
    datum : {"bed", "fixed"}
        "bed" if heights count from a touch of the bed itself, so that only tilt tells; "fixed" if
        they count from something the lifts do not move.

    Returns
    -------
    Response
        A verdict for each lift, and what cannot be told.

    Raises
    ------
    RequestError
        If there are no trials, a trial or reading is impossible or given twice, trials
        contradict one another, moves are too small against the noise, or the noise is not known.
    MachineError
        If a run was not taken on this bed, or no commanded lift shows in what is probed.
    ShapeError
        If the two runs of a trial share too few places.

    Notes
    -----
    Every explanation (which drive moves which lift, which way and how far) gives the changes a
    normal law; its likelihood and a simple prior give its posterior share. See
    `level.verify.explanation`.

    References
    ----------
    A. C. Aitken, "On least squares and linear combination of observations", Proc. Roy. Soc. Edin.
    55 (1936) 42-48. H. Jeffreys, Theory of Probability, 1939: posterior odds of explanations.

    Examples
    --------
    >>> from level.scenario import demo_machine, demo_probing, demo_simulator
    >>> demo = demo_simulator()
    >>> first = demo_probing(demo)
    >>> demo.turn("front left", 0.025, "counterclockwise")  # told: up by 0.2 mm
    >>> second = demo_probing(demo)
    >>> demo.turn("back right", 0.025, "clockwise")
    >>> trials = [(first, {"front left": 0.2}, second),
    ...           (second, {"back right": 0.2}, demo_probing(demo))]
    >>> response = read_response(trials, demo_machine())
    >>> [lift.verdict for lift in response.lifts]
    ['reversed', 'unclear', 'good', 'unclear']
    >>> response.lifts[1].why
    'never moved'
    """
    if datum not in get_args(Datum):
        raise RequestError(f"datum {datum!r}: must be one of {', '.join(get_args(Datum))}")
    checked, ruled = check_trials(trials, machine), check_readings(readings, machine)
    if not checked and not ruled:
        raise RequestError(
            "no trials: give a run before, what was moved, and a run after, or a ruler's reading"
        )
    changes = find_changes(checked, machine, datum)
    if checked and not len(changes.per_unit):
        raise MachineError(
            "one lift alone tips nothing, so probing the bed does not show its rise; "
            "measure it with a ruler, or probe with a datum off the bed"
        )
    check_agreement(changes, checked)
    check_readings_agree(ruled)
    names = tuple(lift.name for lift in machine.lifts)
    evidence = Evidence(changes, ruled, names)
    found = _explain(evidence, names)
    gains = found.gains
    _check_telling(evidence, gains, names)
    own = find_own_ways(evidence)
    listed = tuple(each for each in found.explanations if each.listed)
    lifts = tuple(
        _lift(j, machine, evidence, found, gains.get(j), own.get(j)) for j in range(len(names))
    )
    ambiguous = listed if len(listed) > 1 else ()
    return Response(
        lifts=lifts,
        explanations=listed,
        ambiguous=ambiguous,
        decider=_decider(ambiguous, changes, machine, names),
        datum=datum,
        freedom=len(evidence.values),
        changes=changes,
        warnings=(*changes.warnings, *_warnings(lifts, machine), *_far(ruled, machine, changes)),
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """Explanations that look alike merged, and the gains under the best."""

    explanations: tuple[Explanation, ...]
    gains: dict[int, Gain]


def _explain(evidence: Evidence, names: tuple[str, ...]) -> _Found:
    lift_of, way_of, weights, chi = search(evidence)
    elsewhere = find_misplaced(evidence, names)
    logs = np.concatenate((weights, [weight for _, weight, _ in elsewhere]))
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    fits = logs - np.concatenate(
        (log_prior(lift_of, way_of), np.full(len(elsewhere), np.log(MISPLACED)))
    )
    fits = np.exp(np.minimum(fits - fits[shares.argmax()], _LARGE))
    merged: dict[tuple[Drive, ...], tuple[float, float, float]] = {}
    gains: dict[int, Gain] | None = None
    for k in np.flatnonzero(shares[: len(weights)] >= min(_WEIGHED, shares[: len(weights)].max())):
        fitted = find_gains(evidence, lift_of[k], way_of[k])
        gains = fitted if gains is None else gains
        drives = _drives(evidence, names, lift_of[k], way_of[k], fitted)
        share, fit, least = merged.get(drives, (0.0, 0.0, np.inf))
        merged[drives] = (
            share + float(shares[k]), max(fit, float(fits[k])), min(least, float(chi[k]))
        )  # fmt: skip
    explanations = [Explanation(drives, None, *figures) for drives, figures in merged.items()]
    good = tuple(Drive(names[j], "good", names[j], False, 1.0) for j in evidence.moved)
    explanations += [
        Explanation(good, found, float(shares[k]), float(fits[k]), misfit)
        for k, (found, _, misfit) in enumerate(elsewhere, len(weights))
    ]
    explanations.sort(key=lambda each: -each.share)
    if (misplaced := explanations[0].misplaced) is not None:
        moved = at_true_place(evidence, names.index(misplaced.lift), misplaced)
        gains = find_gains(moved, np.arange(len(names)), np.full(len(names), GOOD))
    return _Found(tuple(explanations), gains or {})


def _drives(
    evidence: Evidence, names: tuple[str, ...], lift_of: Ints, way_of: Ints, gains: dict[int, Gain]
) -> tuple[Drive, ...]:
    drives = []
    for j in (int(j) for j in evidence.moved):
        way, lift = WAYS[int(way_of[j])], int(lift_of[j])
        gain = way.gain
        if way.kind == "unknown":
            gain = gains[j].value if j in gains else 0.0
            near = min((each.gain for each in WAYS), key=lambda usual: abs(gain - usual))
            gain = near if abs(gain - near) <= 3 * _NEAR * max(abs(near), 0.5) else gain
        verdict: Verdict = (
            "unclear" if way.kind == "odd"
            else "stuck" if gain == 0
            else "swapped" if lift != j
            else "reversed" if gain < 0
            else "good" if gain == 1
            else "wrong lead"
        )  # fmt: skip
        moves = verdict not in ("unclear", "stuck")
        drives.append(
            Drive(
                lift=names[j],
                verdict=verdict,
                answers_as=names[lift] if moves else None,
                reversed=moves and gain < 0,
                ratio=abs(gain) if moves else 0.0,
            )
        )
    return tuple(drives)


def _check_telling(evidence: Evidence, gains: dict[int, Gain], names: tuple[str, ...]) -> None:
    if any(gain.sigma <= _TELLS for gain in gains.values()):
        return
    told = [j for j, gain in gains.items() if np.isfinite(gain.sigma)]
    if not told:
        moved = ", ".join(repr(names[j]) for j in evidence.moved)
        if (np.abs(evidence.changes.per_unit[:, list(evidence.moved)]) > 1e-9).any():
            raise RequestError(
                f"{moved}: the bed moved, but as no one lift answering for it explains; another "
                "lift may move with it, or something else was touched: move one lift alone, by "
                "more, and probe again"
            )
        raise MachineError(
            f"{moved}: a rise there tilts nothing that the probe sees; "
            "measure it with a ruler at the lift, or probe with a datum off the bed"
        )
    best = min(told, key=lambda j: gains[j].sigma)
    needed = evidence.commanded[best] * gains[best].sigma / _WANTED
    raise RequestError(
        f"{names[best]!r}: a move of {evidence.commanded[best]:g} mm is too small to tell against "
        f"the noise; move by {np.ceil(needed * 100) / 100:g} mm or more, or probe more places"
    )


def _lift(
    j: int,
    machine: Machine,
    evidence: Evidence,
    found: _Found,
    gain: Gain | None,
    own: OwnWay | None,
) -> LiftResponse:
    lift = machine.lifts[j]
    likeliest, share, why = _verdict(lift.name, found, gain)
    if j not in evidence.moved:
        why = NEVER_MOVED
    elif why == ELSEWHERE and evidence.changes.influence.can_rack:
        why = ELSEWHERE_OR_SOFT  # more lifts than a plane needs: their stiffness has a say too
    known = not why
    # a gain is a gain of one lift, one way round: where that is open there is none
    known_gain = gain if _one_lift(lift.name, found) else None
    ratio = _ratio(likeliest, found, gain) if known and likeliest and gain else None
    turns_wrong = known and likeliest is not None and likeliest.verdict != "stuck" and ratio != 1
    return LiftResponse(
        name=lift.name,
        verdict=likeliest.verdict if known and likeliest else "unclear",
        why=why,
        share=share,
        gain=known_gain.value if known_gain else None,
        gain_sigma=known_gain.sigma if known_gain else None,
        factor=gain.factor if known and gain else None,
        answers_as=likeliest.answers_as if known and likeliest else None,
        reversed=known and likeliest is not None and likeliest.reversed,
        ratio=ratio,
        lead=lift.travel,
        suggested_lead=lift.travel * (ratio or abs(gain.value)) if turns_wrong and gain else None,
        backlash=known_gain.play if known_gain else None,
        backlash_sigma=known_gain.play_sigma if known_gain else None,
        own_gain=own.gain if own else None,
        off_axis=own.off_axis if own else None,
        off_axis_freedom=own.freedom if own else 0,
        moved=float(evidence.commanded[j]),
    )


def _verdict(name: str, found: _Found, gain: Gain | None) -> tuple[Drive | None, float, str]:
    """Give what is likeliest of a lift, its share, and why that is no verdict."""
    shares: dict[tuple[object, ...], float] = {}
    first: dict[tuple[object, ...], Drive | None] = {}
    for each, drive in _said(name, found):
        misplaced = each.misplaced is not None and each.misplaced.lift == name
        key = (misplaced, drive.verdict, drive.answers_as, drive.reversed)
        shares[key] = shares.get(key, 0.0) + each.share
        first.setdefault(key, None if misplaced else drive)
    if not shares:
        return None, 0.0, NEVER_MOVED
    best = max(shares, key=lambda key: shares[key])
    likeliest, share = first[best], min(1.0, shares[best])
    why = ""
    if share < SURE:
        why = SEVERAL
    elif likeliest is None:
        why = ELSEWHERE
    elif likeliest.verdict == "unclear":
        why = ODD
    elif gain is None or not np.isfinite(gain.sigma):
        why = NO_TILT
    elif gain.sigma > _TELLS:
        why = TOO_SMALL
    return likeliest, share, why


def _said(name: str, found: _Found) -> list[tuple[Explanation, Drive]]:
    return [
        (each, drive) for each in found.explanations for drive in each.drives if drive.lift == name
    ]


def _one_lift(name: str, found: _Found) -> bool:
    """Whether all likely explanations have one lift move, one way round, or none."""
    said = [drive for each, drive in _said(name, found) if each.share >= 1 - SURE]
    return all(drive.verdict != "unclear" for drive in said) and (
        len({(drive.answers_as, drive.reversed) for drive in said if drive.answers_as}) <= 1
    )


def _ratio(likeliest: Drive, found: _Found, gain: Gain) -> float | None:
    """Give the ratio that a gain shows, if one stands out."""
    shares: dict[float, float] = {}
    for each, drive in _said(likeliest.lift, found):
        if drive.verdict == likeliest.verdict and drive.answers_as == likeliest.answers_as:
            shares[drive.ratio] = shares.get(drive.ratio, 0.0) + each.share
    ratio = max(shares, key=lambda ratio: shares[ratio])
    if likeliest.verdict == "stuck" or shares[ratio] < SURE * sum(shares.values()):
        return None
    if ratio != 1 and abs(abs(gain.value) - ratio) > max(_NEAR * ratio, 2 * gain.sigma):
        return None
    return ratio


def _decider(
    ambiguous: tuple[Explanation, ...],
    changes: Changes,
    machine: Machine,
    names: tuple[str, ...],
) -> Decider | None:
    if not ambiguous:
        return None
    effects = np.zeros((len(ambiguous), len(names), len(names)))
    for k, each in enumerate(ambiguous):
        moves = {
            names.index(drive.lift): names.index(drive.answers_as)
            for drive in each.drives
            if drive.answers_as is not None
        }
        for drive in each.drives:
            j = names.index(drive.lift)
            if j in moves:
                effects[k, j, moves[j]] = -drive.ratio if drive.reversed else drive.ratio
        for idle in {*range(len(names))} - {names.index(drive.lift) for drive in each.drives}:
            effects[k, idle, left_over(moves, idle)] = 1.0
    # a drive that goes farther than it is told racks the more
    rise = safe_rise(machine, changes.influence) / max(1.0, float(np.abs(effects).max()))
    return find_decider(effects, changes, names, rise)


def _far(readings: tuple[Reading, ...], machine: Machine, changes: Changes) -> list[str]:
    """Warn of moves by a ruler that one lift alone must not make."""
    influence = changes.influence
    if not influence.can_rack:
        return []
    alone = max(float(np.abs(influence.racking(one)).max()) for one in np.eye(len(machine.lifts)))
    far = max((abs(reading.commanded) for reading in readings), default=0.0)
    limit = racking_limit(machine, influence)
    if far * alone <= limit:
        return []
    return [
        f"a move of {far:g} mm by one lift alone racks the frame by {far * alone:.2f} mm, and "
        f"{limit:.3f} is allowed: so far all lifts are to be moved together, and each measured"
    ]


def _warnings(lifts: tuple[LiftResponse, ...], machine: Machine) -> list[str]:
    said = []
    sure = [lift for lift in lifts if lift.verdict != "unclear"]
    if len(sure) > 1 and all(lift.verdict == "reversed" for lift in sure):
        said.append(
            f"every lift is reversed, which often has one cause: check [frame] carries "
            f"({machine.frame.carries}), raises, and which way the readings count (--high)"
        )
    ratios = {lift.ratio for lift in sure}
    if len(sure) > 1 and len(ratios) == 1 and ratios not in ({1}, {None}):
        said.append(
            f"every lift moves {ratios.pop():g} times what it is told, which often has one cause: "
            "check leads, steps and microsteps, and the unit of the commanded rises"
        )
    vague = [lift for lift in sure if lift.gain_sigma is not None and lift.gain_sigma > _VAGUE]
    if vague:
        worst = max(lift.gain_sigma or 0.0 for lift in vague)
        said.append(
            f"gains are known to {2 * worst:.2f} only ({', '.join(lift.name for lift in vague)}): "
            "a lead that is wrong by less does not show; move farther or probe more places"
        )
    return said
