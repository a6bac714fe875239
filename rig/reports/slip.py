"""The slip that goes with a unit: forty columns of plain text, for a receipt printer or a label."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from rig.assess import Finding
from rig.science.decision import Decision

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from rig.product import Product
    from rig.visit import Visit

COLUMNS = 40
RULE = "-" * COLUMNS
MARKS = {
    Decision.PASS: "ok",
    Decision.CONDITIONAL_PASS: "ok?",
    Decision.CONDITIONAL_FAIL: "NO?",
    Decision.FAIL: "NO",
    Decision.NO_DECISION: "--",
}


def slip(visit: Visit, product: Product, at: datetime, bench_name: str, *, demonstration: bool) -> str:
    """Text of the slip; every line has at most forty ASCII characters."""
    lines = [
        RULE,
        *wrap(product.product.name, COLUMNS),
        f"{visit.serial:<24}{at:%Y-%m-%d %H:%M}",
        f"Batch {visit.batch}  rev {product.product.revision}  {bench_name}",
    ]
    if demonstration:
        lines.append("DEMONSTRATION: invented unit and data")
    lines += [RULE, *wrap(f"VERDICT: {visit.verdict.decision.value.upper()}", COLUMNS)]
    lines += wrap(visit.verdict.reason, COLUMNS)
    for cause in visit.verdict.causes:
        lines += wrap(f"* {cause.sentence}", COLUMNS, subsequent_indent="  ")
    if visit.findings:
        lines += [RULE, *_table(visit)]
    turned = [
        f"{each.name} {product.trims[trim].label} {count}".lstrip()
        for each in visit.oscillators
        for trim, count in each.moves.items()
    ]
    if turned:
        lines += [RULE, *wrap(f"Turned: {', '.join(turned)}", COLUMNS)]
    lines += [RULE, *wrap(f"Rule: {product.decision_rule.value}. U: expanded, 95 %.", COLUMNS)]
    lines += wrap(f"Record {visit.visit_id}", COLUMNS)
    if visit.seal is not None:
        lines.append(f"Chain {visit.seal.sequence} {visit.seal.short}")
    lines.append(RULE)
    return "\n".join(_ascii(line)[:COLUMNS].rstrip() for line in lines) + "\n"


def _table(visit: Visit) -> list[str]:
    as_found = {each.characteristic: each for each in visit.found_findings}
    rows = [f"{'':<15}{'found':>7} {'left':>7} {'U':>5} "]
    for left in visit.findings:
        before = as_found.get(left.characteristic, left)
        rows.append(
            f"{_short(left):<15}{_number(before, before.value):>7} {_number(left, left.value):>7} "
            f"{_number(left, left.expanded_uncertainty, sign=''):>5} {MARKS[left.decision]}"
        )
    return rows


SHORT = {
    "rail": "Rail V",
    "scale_error": "Scale c/oct",
    "tracking_musical": "Track music c",
    "tracking_full": "Track full c",
    "highs_error": "Highs c",
    "base_pitch": "Base c",
    "knob_range": "Knob range c",
    "knob_centre": "Knob centre c",
    "drift_low": "Drift low c/min",
    "drift_high": "Drift hi c/min",
    "response": "CVs answered",
}


def _short(finding: Finding) -> str:
    oscillator, _, characteristic = finding.characteristic.rpartition(".")
    name = SHORT.get(characteristic, finding.label)
    if characteristic.startswith("octave_step_"):
        name = f"Octave {characteristic.removeprefix('octave_step_')} c"
    return f"{oscillator[:3]} {name}".strip()[:15]


def _number(finding: Finding, value: float, sign: str = "+") -> str:
    if finding.unit == "V":
        return f"{value:.3f}" if sign else f"{value:.4f}".lstrip("0")
    digits = 2 if abs(value) < 100.0 else 0
    signed = sign if finding.limits.low is not None and finding.limits.low < 0.0 else ""
    return f"{value:{signed}.{digits}f}"


def _ascii(line: str) -> str:
    return line.encode("ascii", "replace").decode("ascii")


def findings_lines(findings: Sequence[Finding]) -> list[str]:
    """Findings as lines for a terminal of eighty columns."""
    lines = []
    for each in findings:
        low, high = each.limits.low, each.limits.high
        limits = f"{'' if low is None else f'{low:g}'} .. {'' if high is None else f'{high:g}'}"
        lines.append(
            f"{each.label:<26}{each.value:>10.3f} {each.unit:<13} U {each.expanded_uncertainty:<8.2g} "
            f"({limits})  {each.decision.value}"
        )
    return lines
