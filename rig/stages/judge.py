"""From findings and causes to one verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.assess import Finding
from rig.diagnosis import BAD, other_causes
from rig.science.conformity import Decision, Limits, Rule, worst_of
from rig.undecided import sentences

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.diagnosis import Cause
    from rig.stages.life import Life


@dataclass(frozen=True, slots=True)
class Verdict:
    """The decision on a unit, why, and what no trim could cure."""

    decision: Decision
    reason: str
    causes: tuple[Cause, ...]


def judge(
    findings: Sequence[Finding],
    causes: Sequence[Cause],
    doubts: Sequence[str],
    *,
    untrimmed: bool = False,
    unknown: str = "",
) -> Verdict:
    """Worst decision of all findings; nothing is decided while the bench itself is in doubt.

    :param doubts: why no guarded verdict may rest on this bench, one sentence each.
    :param unknown: why a unit that does not fail cannot pass either, whatever the rule.
    :param untrimmed: nobody has turned a trim yet, though one could help.
    """
    guarded = any(finding.rule is Rule.GUARDED for finding in findings)
    if doubts and guarded:
        return Verdict(Decision.NO_DECISION, " ".join(doubts), ())
    decision = worst_of([finding.decision for finding in findings])
    if unknown and decision not in BAD:
        return Verdict(Decision.NO_DECISION, unknown, ())
    if decision not in BAD:
        return Verdict(decision, _reason_inside(findings), ())
    kept = tuple({(cause.fault, cause.where): cause for cause in reversed(causes)}.values())[::-1]
    kept = (*kept, *other_causes(findings, kept, untrimmed=untrimmed))
    failed = ", ".join(finding.label for finding in findings if finding.decision in BAD)
    advice = " No fault is known: its trims may bring it inside." if untrimmed and not kept else ""
    doubtful = sentences(finding for finding in findings if finding.decision is Decision.CONDITIONAL_FAIL)
    return Verdict(decision, " ".join(f"Outside: {failed}.{advice} {doubtful}".split()), kept)


def _reason_inside(findings: Sequence[Finding]) -> str:
    """Why a unit passes, or is not decided."""
    near = [finding.label for finding in findings if finding.decision is Decision.CONDITIONAL_PASS]
    inside = f"Inside, within the guard band: {', '.join(near)}." if near else ""
    doubtful = sentences(findings)
    return f"{inside} {doubtful}".strip() or "Everything is inside its limits."


def life_finding(life: Life) -> Finding:
    """Finding of a unit that gives no pitch, or one that does not follow the CV."""
    needed = float(len(life.cvs_v))
    answers = life.seen if life.cause is None or life.seen < needed else 0
    return Finding(
        characteristic="response",
        label="Response to the CV",
        value=float(answers),
        unit="CVs answered",
        expanded_uncertainty=0.0,
        limits=Limits(needed, None),
        rule=Rule.SIMPLE,
        decision=Decision.PASS if answers >= needed else Decision.FAIL,
        lower=float(answers),
        upper=float(answers),
        note="a pitch at each CV looked at, rising with it",
    )
