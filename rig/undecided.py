"""What keeps a finding in its guard band, how much more reading would bring it out, and how that is said."""

from __future__ import annotations

from math import ceil, inf, isfinite, sqrt
from typing import TYPE_CHECKING

from rig.budgets import ABOUT_LINE, REDUCIBLE
from rig.science.conformity import LONGER_PROBABILITY, Decision, Rule

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rig.assess import Finding
    from rig.science.budget import Budget

IN_DOUBT = (Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL, Decision.NO_DECISION)
DOMINATES = 3.0
"""The rest dominates when what readings scatter is a third of it: without any scatter U would be a twentieth less."""
SPARE = 3.0
"""More readings move the value too: so many times what it would take if it stayed where the first ones saw it."""
WORTHWHILE = 1.2
MOST = 100.0


def variances(budget: Budget) -> tuple[float, float]:
    """Variance that more readings reduce, and the rest."""
    scatter = sum(each.contribution**2 for each in budget.inputs if each.name in REDUCIBLE)
    scatter = min(scatter, budget.variance)
    return scatter, budget.variance - scatter


def distance(finding: Finding) -> float:
    """From a value to its nearest limit."""
    return min(abs(finding.value - finding.limits.lowest), abs(finding.limits.highest - finding.value))


def is_in_doubt(finding: Finding) -> bool:
    """Whether a guarded decision with a budget is neither a plain pass nor a plain failure."""
    return finding.rule is Rule.GUARDED and finding.decision in IN_DOUBT and finding.budget is not None


def times_worthwhile(scatter: float, rest: float, distance_to_limit: float, factor: float) -> float:
    """How many times the readings taken so far are worth having; 1 where no more readings help.

    As many as it takes until the distance to the limit is more than the guard band, or the rest dominates.

    :param scatter: variance that falls with the number of readings.  rest: variance that does not.
    :param factor: guard band over standard uncertainty.
    """
    if scatter <= 0.0:
        return 1.0
    left = (distance_to_limit / factor) ** 2 - rest
    decided = SPARE * scatter / left if left > 0.0 else inf
    dominated = DOMINATES**2 * scatter / rest if rest > 0.0 else inf
    times = min(decided, dominated, MOST)
    return times if times > WORTHWHILE else 1.0


def times_for(finding: Finding) -> float:
    """The same for a finding in doubt."""
    budget = finding.budget
    if budget is None or not budget.variance > 0.0 or not isfinite(finding.value):
        return 1.0
    scatter, rest = variances(budget)
    factor = budget.expanded(LONGER_PROBABILITY) / sqrt(budget.variance)
    return times_worthwhile(scatter, rest, distance(finding), factor)


def readings_worthwhile(
    scatter: float, rest: float, distance_to_limit: float, factor: float, *, taken: int, each_s: float, left_s: float
) -> int:
    """How many more readings to take of one quantity: those worth having, in the time that is left.

    :param scatter: standard uncertainty of the mean of those ``taken``.  rest: that of what they have in common.
    :param each_s: time of one reading.
    """
    times = times_worthwhile(scatter**2, rest**2, distance_to_limit, factor)
    return max(0, min(ceil(taken * (times - 1.0)), int(left_s / max(each_s, 1e-6))))


def sentence(finding: Finding) -> str:
    """Why a finding is in doubt, in a sentence.

    Where what readings scatter no longer counts, or where without it the guard band would still reach the limit, the
    bench cannot decide it; otherwise the unit is too restless, or time ran out.
    """
    width = finding.expanded_uncertainty
    said = f"uncertainty is {width:.2g}, limit is {_limit(finding)} {finding.unit}"
    if times_for(finding) > 1.0:
        return f"{finding.label} was not decided in the time allowed for more readings: {said}."
    if finding.budget is not None and finding.budget.inputs[0].name == ABOUT_LINE:
        return f"{finding.label} cannot be decided, as the unit's readings scatter about their line: {said}."
    return f"{finding.label} cannot be decided on this bench: {said}."


def sentences(findings: Iterable[Finding]) -> str:
    """Those of all findings that are in doubt."""
    return " ".join(sentence(each) for each in findings if is_in_doubt(each))


def _limit(finding: Finding) -> str:
    low, high = finding.limits.low, finding.limits.high
    if low is None or high is None:
        return f"{high if low is None else low:g}"
    if low == -high:
        return f"{high:g}"
    return f"{low:g} to {high:g}"
