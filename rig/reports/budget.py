"""An uncertainty budget as a table for a terminal, and as plain data."""

from __future__ import annotations

from math import isinf
from textwrap import wrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.science.budget import Budget, Combined, Input

COLUMNS = 100
HEAD = f"{'input':<31}{'distribution':<13}{'u':>11}{'sensitivity':>13}{'dof':>7}{'contribution':>14}{'share':>9}"


def budget_lines(budget: Budget, combined: Combined | None = None) -> list[str]:
    """Table of a budget, no line wider than a hundred columns; what contributes most comes first."""
    made = combined or budget.combine()
    order = sorted(range(len(budget.inputs)), key=lambda place: -abs(float(budget.contributions[place])))
    shares = budget.shares()
    lines = [f"{budget.quantity}: {budget.value:.6g} {budget.unit}"[:COLUMNS], HEAD]
    lines += [_row(budget.inputs[place], float(shares[place])) for place in order]
    for each in budget.correlations:
        lines += wrap(f"correlation {each.coefficient:+.2f}: {', '.join(each.names)}", COLUMNS, subsequent_indent="  ")
    lines.append("-" * len(HEAD))
    lines += _result(budget, made)
    return lines


def _row(each: Input, share: float) -> str:
    return (
        f"{each.name[:30]:<31}{each.distribution.value:<13}{_short(each.standard_uncertainty):>11}"
        f"{_short(each.sensitivity):>13}{_freedom(each.degrees_of_freedom):>7}{_short(each.contribution):>14}{share:>9.1%}"
    )


def _result(budget: Budget, made: Combined) -> list[str]:
    sentence = (
        f"standard uncertainty {made.standard_uncertainty:.3g} {budget.unit}, effective degrees of freedom "
        f"{_freedom(made.effective_degrees_of_freedom)}, k = {made.coverage_factor:.2f}; U = "
        f"{made.expanded_uncertainty:.3g} {budget.unit} ({100.0 * made.probability:g} %)"
    )
    lines = wrap(sentence, COLUMNS)
    for more in (made.remark, budget.note):
        lines += wrap(more, COLUMNS)
    return lines


def _short(value: float) -> str:
    return f"{value:.3g}"


def _freedom(value: float) -> str:
    return "inf" if isinf(value) or value > 9999.0 else f"{value:.4g}"


def budgets_lines(budgets: Sequence[Budget]) -> list[str]:
    """Several budgets, one under another."""
    lines: list[str] = []
    for each in budgets:
        lines += [*([""] if lines else []), *budget_lines(each)]
    return lines


def budget_document(budget: Budget, combined: Combined | None = None) -> dict[str, object]:
    """The same as plain data, for the record and for programs; infinite degrees of freedom are None."""
    made = combined or budget.combine()
    shares = budget.shares()
    return {
        "quantity": budget.quantity,
        "value": budget.value,
        "unit": budget.unit,
        "inputs": [_input_document(each, float(share)) for each, share in zip(budget.inputs, shares, strict=True)],
        "correlations": [{"names": list(each.names), "coefficient": each.coefficient} for each in budget.correlations],
        "standard_uncertainty": made.standard_uncertainty,
        "effective_degrees_of_freedom": _finite(made.effective_degrees_of_freedom),
        "coverage_probability": made.probability,
        "coverage_factor": made.coverage_factor,
        "expanded_uncertainty": made.expanded_uncertainty,
        "remark": made.remark,
        "note": budget.note,
    }


def _input_document(each: Input, share: float) -> dict[str, object]:
    return {
        "name": each.name,
        "distribution": each.distribution.value,
        "standard_uncertainty": each.standard_uncertainty,
        "sensitivity": each.sensitivity,
        "degrees_of_freedom": _finite(each.degrees_of_freedom),
        "contribution": each.contribution,
        "share": share,
        "source": each.source,
    }


def _finite(value: float) -> float | None:
    return None if isinf(value) else value
