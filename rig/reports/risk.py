"""How far an uncertainty is from a limit, and what a decision risks: ratio, risk, and a warning where they are poor."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, isinf
from typing import TYPE_CHECKING

from rig.science.decision import uncertainty_ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.assess import Finding

ENOUGH = 4.0
"""Common practice: the limit is four times the uncertainty at least."""
SMALL_RISK = 1e-4


@dataclass(frozen=True, slots=True)
class Standing:
    """Test uncertainty ratio of a finding, and the risk of its decision; None where there is no uncertainty."""

    ratio: float | None
    risk: float | None
    accepted: bool

    @property
    def sentence(self) -> str:
        """Both in a few words."""
        if self.ratio is None or self.risk is None:
            return ""
        kind = "acceptance" if self.accepted else "rejection"
        return f"test uncertainty ratio {self.ratio:.1f}{_poor(self.ratio)}; risk of false {kind} {percent(self.risk)}"


def standing_of(finding: Finding) -> Standing:
    """Ratio and risk of one finding. A limit on one side only is counted from nought."""
    expanded, accepted = finding.expanded_uncertainty, finding.limits.hold(finding.value)
    if not (isfinite(expanded) and expanded > 0.0):
        return Standing(None, None, accepted)
    ratio = uncertainty_ratio(expanded, finding.limits, nominal=0.0)
    return Standing(None if isinf(ratio) else ratio, finding.risk, accepted)


def percent(risk: float) -> str:
    """A risk for people."""
    return "under 0.01 %" if risk < SMALL_RISK else f"{100.0 * risk:.2g} %"


def _poor(ratio: float) -> str:
    if ratio < 1.0:
        return " (the uncertainty exceeds the limit)"
    return f" (under {ENOUGH:g})" if ratio < ENOUGH else ""


def warning_lines(findings: Sequence[Finding]) -> list[str]:
    """What is to be known of a bench against these limits, in two lines at most; none where all is well."""
    ratios = {each.label: standing_of(each).ratio for each in findings}
    beyond = [label for label, ratio in ratios.items() if ratio is not None and ratio < 1.0]
    poor = [f"{label} {ratio:.1f}" for label, ratio in ratios.items() if ratio is not None and 1.0 <= ratio < ENOUGH]
    lines = [f"Uncertainty exceeds the limit: {', '.join(beyond)}."] if beyond else []
    return lines + ([f"Test uncertainty ratio under {ENOUGH:g}: {', '.join(poor)}."] if poor else [])


def risk_line(findings: Sequence[Finding]) -> str:
    """The riskiest of these decisions in a sentence; empty where none has a risk."""
    known = [each for each in findings if standing_of(each).risk is not None]
    if not known:
        return ""
    worst = max(known, key=lambda each: each.risk or 0.0)
    kind = "acceptance" if worst.limits.hold(worst.value) else "rejection"
    return f"Largest risk of a wrong decision: {percent(worst.risk or 0.0)} of false {kind} ({worst.label})."


def risk_document(finding: Finding) -> dict[str, object]:
    """The same as plain data."""
    standing = standing_of(finding)
    known = standing.risk is not None
    return {
        "test_uncertainty_ratio": standing.ratio,
        "risk_of_false_acceptance": standing.risk if known and standing.accepted else None,
        "risk_of_false_rejection": standing.risk if known and not standing.accepted else None,
    }
