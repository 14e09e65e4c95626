"""Verdicts: what each lift does when it is told to move, and what cannot be told."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from level.verify.changes import Changes, Datum
from level.verify.decider import Decider
from level.verify.misplaced import Misplaced
from probes.errors import MachineError, RequestError

__all__ = ["SURE", "Drive", "Explanation", "LiftResponse", "Response", "Verdict"]

Verdict = Literal["good", "reversed", "swapped", "stuck", "wrong lead", "unclear"]

SURE = 0.9
"""Share of the explanations that must agree on a lift before it gets a verdict."""

LISTED, LISTED_ALIKE, ALIKE = 0.01, 0.003, 0.1
"""Share from which an explanation is listed among those that the data cannot tell apart; a lower
one for those that fit as well as the best, to this part of its likelihood."""


@dataclass(frozen=True)
class Drive:
    """What an explanation says of one commanded lift.

    Attributes
    ----------
    lift : str
        The lift that was commanded.
    verdict : str
        As of `LiftResponse`; "unclear" if it moves the carriage as no lift of the machine would.
    answers_as : str or None
        The lift that really moves; None if none does.
    reversed : bool
        Whether it moves the wrong way.
    ratio : float
        How far it moves, as a part of what it was told, but for the sign.
    """

    lift: str
    verdict: Verdict
    answers_as: str | None
    reversed: bool
    ratio: float


@dataclass(frozen=True)
class Explanation:
    """One way to explain all trials.

    Attributes
    ----------
    drives : tuple of Drive
        The lifts that were commanded.
    misplaced : Misplaced or None
        The lift that stands elsewhere, while all drives do as told.
    share : float
        Posterior probability among all explanations that were weighed.
    likelihood : float
        How well it fits: its likelihood as a part of that of the likeliest explanation.
    chi_square : float
        Misfit, with `Response.freedom` degrees of freedom, small faults of every drive allowed.
    """

    drives: tuple[Drive, ...]
    misplaced: Misplaced | None
    share: float
    likelihood: float
    chi_square: float

    @property
    def listed(self) -> bool:
        """Whether it is likely enough to be named."""
        return self.share >= (LISTED_ALIKE if self.likelihood >= ALIKE else LISTED)


@dataclass(frozen=True)
class LiftResponse:
    """What one lift does when it is told to move.

    Attributes
    ----------
    name : str
        The lift, as commanded.
    verdict : {"good", "reversed", "swapped", "stuck", "wrong lead", "unclear"}
        "swapped" says that another lift moves, whatever else is wrong; then `reversed` and
        `ratio` tell more, as they do for a reversed one.
    why : str
        Why it is unclear; empty otherwise.
    share : float
        Posterior probability of the verdict, or of the likeliest one if it is unclear.
    gain, gain_sigma : float or None
        True rise of the lift that moves over the commanded rise, with its standard deviation
        from the noise of the probe; None where it is not known which lift moves, or none shows.
    factor : float or None
        The gain to reckon with: drawn towards the nominal one by what is usual.
    answers_as : str or None
        The lift that moves; None if none does or it is unclear.
    reversed : bool
        Whether it moves the wrong way.
    ratio : float or None
        The ratio of leads or step counts that the gain shows; 1 for a right one, None where none
        fits or it is unclear.
    lead : float
        Travel per turn as the machine file has it, mm.
    suggested_lead : float or None
        Travel per turn that the machine file should have, where the lead is wrong, mm.
    backlash, backlash_sigma : float or None
        Play, mm: what is lost when it turns back; None where it never did.
    own_gain : float or None
        Part of the change along the lift's own way, taken for itself; misleads if it is swapped.
    off_axis : float or None
        Chi-square of what is beside its own way: 3.84 is passed by one good lift in twenty for
        one degree of freedom.
    off_axis_freedom : int
        Degrees of freedom of that.
    moved : float
        Largest net rise it was told, mm.
    """

    name: str
    verdict: Verdict
    why: str
    share: float
    gain: float | None
    gain_sigma: float | None
    factor: float | None
    answers_as: str | None
    reversed: bool
    ratio: float | None
    lead: float
    suggested_lead: float | None
    backlash: float | None
    backlash_sigma: float | None
    own_gain: float | None
    off_axis: float | None
    off_axis_freedom: int
    moved: float

    @property
    def left_per_pass(self) -> float | None:
        """Part of an error that a levelling pass leaves at this lift, ``|1 - gain|``.

        Below 1 passes get there, slowly near 1; at 1 or more they never do (theory of a fixed
        gain in a closed loop).
        """
        return None if self.gain is None else abs(1 - self.gain)


@dataclass(frozen=True, eq=False)
class Response:
    """How the lifts of a machine respond to what they are told.

    Attributes
    ----------
    lifts : tuple of LiftResponse
        One for each lift, in the order of the machine file.
    explanations : tuple of Explanation
        The likeliest ones, best first: each of a share of 0.01 or more, or of 0.003 if it fits
        the data as well as the best.
    ambiguous : tuple of Explanation
        The same, if the data cannot tell them apart; empty if there is but one.
    decider : Decider or None
        The one further move that would tell the ambiguous ones apart.
    datum : {"bed", "fixed"}
        Where heights count from.
    freedom : int
        Degrees of freedom of the explanations' chi-square.
    changes : Changes
        What the trials did, with the noise they were judged by.
    warnings : tuple of str
        What to know.
    """

    lifts: tuple[LiftResponse, ...]
    explanations: tuple[Explanation, ...]
    ambiguous: tuple[Explanation, ...]
    decider: Decider | None
    datum: Datum
    freedom: int
    changes: Changes
    warnings: tuple[str, ...]

    @property
    def misplaced(self) -> Misplaced | None:
        """The lift that stands elsewhere than the machine file says, where that is sure."""
        best = self.explanations[0]
        return best.misplaced if best.share >= SURE else None

    @property
    def all_good(self) -> bool:
        """Whether every lift does what it is told."""
        return all(lift.verdict == "good" for lift in self.lifts)

    def lift(self, name: str) -> LiftResponse:
        """Find a lift by name; case does not matter."""
        for lift in self.lifts:
            if lift.name.lower() == name.strip().lower():
                return lift
        names = ", ".join(repr(lift.name) for lift in self.lifts)
        raise RequestError(f"there is no lift {name!r}; the response has {names}")

    def true_rises(self, commanded: Mapping[str, float]) -> dict[str, float]:
        """Give how far the lifts truly rise for what is commanded.

        Parameters
        ----------
        commanded : mapping of str to float
            Commanded rises, mm.

        Returns
        -------
        dict of str to float
            True rise of each lift, mm.

        Raises
        ------
        MachineError
            If a commanded lift is stuck or its response is not clear.
        """
        true = {lift.name: 0.0 for lift in self.lifts}
        for name, rise in commanded.items():
            if rise:
                _, target, factor = self._sure(self.lift(name))
                true[target] += factor * rise
        return true

    def commands(self, rises: Mapping[str, float]) -> dict[str, float]:
        """Give what to command so that the lifts truly rise as wanted.

        Parameters
        ----------
        rises : mapping of str to float
            Wanted true rises, mm.

        Returns
        -------
        dict of str to float
            Rise to command at each lift, mm.

        Raises
        ------
        MachineError
            If a lift that is to rise is stuck, or it is not clear what moves it.
        """
        command = {lift.name: 0.0 for lift in self.lifts}
        for name, rise in rises.items():
            if not rise:
                continue
            wanted = self.lift(name)
            drivers = [lift for lift in self.lifts if lift.answers_as == wanted.name]
            driver, _, factor = self._sure(drivers[0] if drivers else wanted)
            command[driver.name] = rise / factor
        return command

    def corrected_leads(self) -> dict[str, float]:
        """Give the travel per turn that the machine file should have for each lift, mm.

        Raises
        ------
        MachineError
            If a lift is stuck or its response is not clear.
        """
        return {
            lift.name: lift.suggested_lead or lift.lead for lift in map(self._clear, self.lifts)
        }

    def _clear(self, lift: LiftResponse) -> LiftResponse:
        return self._sure(lift)[0]

    def _sure(self, lift: LiftResponse) -> tuple[LiftResponse, str, float]:
        if lift.verdict == "stuck":
            raise MachineError(
                f"lift {lift.name!r} is stuck: it does not move when it is told to; "
                "free it, check its motor and coupling, then try it again"
            )
        if lift.answers_as is None or lift.factor is None:
            raise MachineError(
                f"it is not clear what lift {lift.name!r} does ({lift.why}); "
                "settle that with a further trial first"
            )
        return lift, lift.answers_as, lift.factor
