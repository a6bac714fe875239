"""What the terminal shows at the end of a visit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.product import TrimKind
from rig.reports.risk import risk_line, warning_lines
from rig.reports.slip import findings_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.product import Product
    from rig.recommend import Advice, Recommendation
    from rig.reports.keep import Kept
    from rig.visit import Oscillator, Visit


DOUBTFUL_CENTS = 1.0
"""What will remain is no expectation where it is less well known than this."""


def screen_lines(visit: Visit, product: Product, kept: Kept, database: str) -> list[str]:
    """Recommendation, findings, verdict, slip, and where everything is."""
    lines: list[str] = []
    for oscillator in visit.oscillators:
        lines += _oscillator_lines(oscillator, product)
    lines += ["", f"Verdict: {visit.verdict.decision.value.upper()}. {visit.verdict.reason}"]
    lines += [f"  Likely cause: {cause.sentence}" for cause in visit.verdict.causes]
    lines += ["", *kept.slip_text.split("\n"), f"Slip: {kept.slip}"]
    lines += [f"Plot: {plot}" for plot in kept.plots]
    lines.append(f"Record: visit {visit.visit_id} in {database}")
    return lines


def _oscillator_lines(oscillator: Oscillator, product: Product) -> list[str]:
    of = f" of {oscillator.name}" if oscillator.name else ""
    lines: list[str] = []
    recommendation = oscillator.recommendation
    if recommendation is not None:
        lines += ["", f"Recommendation from the as-found sweep{of}:"]
        lines += [f"  {number}. {each.sentence()}" for number, each in enumerate(recommendation.advice, 1)]
        if not recommendation.advice:
            lines.append("  Nothing: leave every trim alone.")
        elif recommendation.left_alone:
            lines.append(f"  Leave alone: {', '.join(recommendation.left_alone)}.")
        lines += [f"  No trim cures: {cause.sentence}" for cause in recommendation.causes]
        lines += expected_lines(recommendation, product)
    if oscillator.as_left is not None:
        lines += ["", f"As found{of}:", *(f"  {line}" for line in findings_lines(oscillator.found_findings))]
    lines += ["", f"As left{of}:" if oscillator.as_left is not None else f"As found{of}, nothing turned:"]
    lines += [f"  {line}" for line in findings_lines(oscillator.findings)]
    said = [risk_line(oscillator.findings), *warning_lines(oscillator.findings)]
    return lines + [f"  {line}" for line in said if line]


def expected_lines(recommendation: Recommendation, product: Product) -> list[str]:
    """What will remain of the tracking once all advice is followed, and how well that is known.

    A scale trim at the common node shifts every pitch by as much as its pivot is in doubt, and the targets after it
    are computed from the same sweep: until it was turned, what is planned to remain is not what may be expected.
    """
    doubt, left = recommendation.remaining_standard_uncertainty_cents, recommendation.remaining_musical_cents
    if doubt is None or left is None:
        return []
    about_pivot = _about_a_pivot(recommendation.advice, product)
    if doubt <= DOUBTFUL_CENTS:
        return [f"  Expected then: {left:.2f} cents worst over the musical range, standard uncertainty {doubt:.2f}."]
    if about_pivot is None:
        return [
            f"  Expected then: {left:.1f} cents worst over the musical range, but this sweep knows that to "
            f"{doubt:.1f} cents only (standard uncertainty): sweep again after each trim."
        ]
    if len(recommendation.advice) == 1:
        return [
            f"  At which pitch {about_pivot.label} pivots in this unit shows only when it is turned: this target may "
            f"leave some {doubt:.0f} cents.",
            "  Measure again when it is reached: the next target is closer.",
        ]
    return [
        f"  At which pitch {about_pivot.label} pivots in this unit shows only when it is turned: all of these targets "
        f"together may leave some {doubt:.0f} cents.",
        f"  Turn {about_pivot.label} alone and measure again before the others, as 'rig work' does by itself.",
    ]


def _about_a_pivot(advice: Sequence[Advice], product: Product) -> Advice | None:
    return next((each for each in advice if product.trims[each.trim].kind is TrimKind.SCALE_COMMON), None)


def timing_lines(visit: Visit) -> list[str]:
    """Where the bench time of measuring went."""
    spent = visit.spent
    return [
        f"Bench time {visit.duration_s:.1f} s: settling {spent.settling_s:.1f} s, gating {spent.gating_s:.1f} s, "
        "traffic "
        f"{spent.traffic_s:.1f} s, waiting {spent.waiting_s(visit.duration_s):.1f} s (people, pauses of the warm-up)."
    ]
