"""Budgets in the record: a compressed document for each visit and phase, and back to the same frozen values.

A document is canonical JSON (one list a budget, numbers of six significant digits: JCGM 100:2008, 7.2.6, asks for two
of an uncertainty), compressed with a dictionary of what all of them have in common (RFC 1950, preset dictionary).
Value and unit stand in the finding. What is shown on the day is made from what is kept, so both are the same.
"""

from __future__ import annotations

import json
import zlib
from collections import defaultdict
from dataclasses import replace
from math import inf, isinf
from typing import TYPE_CHECKING

from db.budgets import documents_of
from db.models import FindingBudgets
from rig.budget_dictionary import DICTIONARIES
from rig.errors import RecordProblem
from rig.science.budget import Budget, Correlation, Distribution, Input

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from uuid import UUID

    from sqlalchemy.orm import Session

    from rig.assess import Finding

VERSION = 1
DIGITS = 6


def as_kept(budget: Budget) -> Budget:
    """A budget with its numbers as the record keeps them."""
    return replace(
        budget,
        inputs=tuple(
            replace(
                each,
                standard_uncertainty=_kept(each.standard_uncertainty),
                sensitivity=_kept(each.sensitivity),
                degrees_of_freedom=_kept(each.degrees_of_freedom),
            )
            for each in budget.inputs
        ),
        correlations=tuple(replace(each, coefficient=_kept(each.coefficient)) for each in budget.correlations),
    )


def packed(budgets: Mapping[str, Budget]) -> bytes:
    """Budgets by characteristic as a compressed document of the present version."""
    document = [_row(characteristic, budget) for characteristic, budget in budgets.items()]
    text = json.dumps(document, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    compressor = zlib.compressobj(level=9, wbits=15, memLevel=9, zdict=DICTIONARIES[VERSION])
    return compressor.compress(text.encode("ascii")) + compressor.flush()


def unpacked(version: int, document: bytes, findings: Mapping[str, tuple[float, str]]) -> dict[str, Budget]:
    """Budgets by characteristic.

    :param findings: value and unit of each characteristic.
    :raises RecordProblem: the document is of a later version, or damaged.
    """
    if version not in DICTIONARIES:
        raise RecordProblem(
            f"The budgets of this visit were written by a later version of this program (format {version}): "
            "read them with that one."
        )
    decompressor = zlib.decompressobj(wbits=15, zdict=DICTIONARIES[version])
    try:
        rows = json.loads(decompressor.decompress(document) + decompressor.flush())
        return {row[0]: _budget(row, *findings[row[0]]) for row in rows}
    except (zlib.error, ValueError, KeyError, IndexError, TypeError) as error:
        raise RecordProblem(
            f"The budgets of this visit cannot be read ({error}): restore the database from its last backup."
        ) from None


def rows_of(visit_id: UUID, phase: str, findings: Sequence[Finding]) -> list[FindingBudgets]:
    """What to add to the record: one row an oscillator whose findings have budgets."""
    by_oscillator: defaultdict[str, dict[str, Budget]] = defaultdict(dict)
    for each in findings:
        if each.budget is not None:
            by_oscillator[each.characteristic.rpartition(".")[0]][each.characteristic] = each.budget
    return [
        FindingBudgets(visit_id=visit_id, phase=phase, oscillator=name, version=VERSION, document=packed(budgets))
        for name, budgets in by_oscillator.items()
    ]


def budgets_by_characteristic(session: Session, visit_id: UUID, phase: str) -> dict[str, Budget]:
    """Budgets of a past visit's findings, in their order; empty where none were kept.

    :param phase: as_found or as_left.
    :raises RecordProblem: they were written by a later version, or are damaged.
    """
    kept = documents_of(session, visit_id, phase)
    found: dict[str, Budget] = {}
    for row in kept.documents:
        found |= unpacked(row.version, row.document, kept.findings)
    return found


def budgets_of(session: Session, visit_id: UUID, phase: str) -> tuple[Budget, ...]:
    """The same without their characteristics."""
    return tuple(budgets_by_characteristic(session, visit_id, phase).values())


def _kept(number: float) -> float:
    return number if isinf(number) else float(f"{number:.{DIGITS}g}")


def _short(number: float) -> float | int | None:
    """A number as it stands in a document: short, and None where it is infinite."""
    if isinf(number):
        return None
    kept = _kept(number)
    return int(kept) if kept == int(kept) else kept


def _row(characteristic: str, budget: Budget) -> list[object]:
    inputs = [
        [
            each.name,
            each.distribution.value,
            each.source,
            each.evaluation,
            _short(each.degrees_of_freedom),
            _short(each.sensitivity),
            _short(each.standard_uncertainty),
        ]
        for each in budget.inputs
    ]
    correlations = [[list(each.names), _short(each.coefficient)] for each in budget.correlations]
    return [characteristic, budget.quantity, budget.note, inputs, correlations]


def _budget(row: Sequence[object], value: float, unit: str) -> Budget:
    _, quantity, note, inputs, correlations = row
    if not isinstance(inputs, list) or not isinstance(correlations, list):
        raise TypeError("inputs and correlations are lists")
    return Budget(
        quantity=str(quantity),
        value=value,
        unit=unit,
        inputs=tuple(_input(*each) for each in inputs),
        correlations=tuple(Correlation(tuple(names), float(coefficient)) for names, coefficient in correlations),
        note=str(note),
    )


def _input(
    name: str,
    distribution: str,
    source: str,
    evaluation: str,
    freedom: float | None,
    sensitivity: float,
    standard_uncertainty: float,
) -> Input:
    return Input(
        name=name,
        distribution=Distribution(distribution),
        standard_uncertainty=float(standard_uncertainty),
        sensitivity=float(sensitivity),
        degrees_of_freedom=inf if freedom is None else float(freedom),
        source=source,
        evaluation=evaluation,
    )
