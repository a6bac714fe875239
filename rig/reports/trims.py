"""What is known of a product's trims, as text and as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log2, log10
from typing import TYPE_CHECKING

from rig.product import TrimKind
from rig.science.pitch import note_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rig.knowledge import KnownTrim, Learned
    from rig.product import Product
    from rig.science.learning import Batch, Belief

BAD_BELOW = 0.5
"""Probability of being one of the batch under which a unit is called odd."""
BATCHES_SHOWN = 6
LOWEST_SHOWN_OCTAVES, HIGHEST_SHOWN_OCTAVES = -14.0, 30.0
"""Beyond these a pitch has no note worth naming."""


@dataclass(frozen=True, slots=True)
class _Scale:
    """How an amount is shown to people: from which zero, by which factor, in which unit."""

    factor: float
    unit: str
    zero: float = 0.0

    def spread(self, amount: float) -> str:
        """A spread, with two digits."""
        shown = self.factor * amount
        return f"{shown:.{_decimals(shown)}f}"

    def belief(self, belief: Belief) -> str:
        """Mean and standard uncertainty, two digits of the latter, and the unit."""
        doubt = self.factor * belief.standard_uncertainty
        decimals = _decimals(doubt)
        return f"{self.factor * (belief.mean - self.zero):+.{decimals}f} +- {doubt:.{decimals}f} {self.unit}"


_SCALES = {
    TrimKind.SCALE_COMMON: _Scale(100.0, "%"),
    TrimKind.SCALE_INPUT: _Scale(100.0, "%"),
    TrimKind.RAIL: _Scale(100.0, "%"),
    TrimKind.HIGHS: _Scale(1e9, "ns"),
    TrimKind.BASE: _Scale(1200.0, "cents"),
    TrimKind.CENTRE: _Scale(1200.0, "cents"),
}
_AMOUNTS = {
    TrimKind.SCALE_COMMON: "relative",
    TrimKind.SCALE_INPUT: "relative",
    TrimKind.RAIL: "relative",
    TrimKind.HIGHS: "s",
    TrimKind.BASE: "octaves",
    TrimKind.CENTRE: "octaves",
}


def trims_lines(product: Product, batch: str | None, known: Mapping[str, KnownTrim]) -> list[str]:
    """Lines for a terminal, at most 100 columns wide."""
    identity = product.product
    mark = "  [demonstration]" if identity.demonstration else ""
    whose = f"of batch {batch}" if batch is not None else "of a batch that nobody has seen"
    lines = [
        f"{identity.name}, revision {identity.revision}: its trims{mark}",
        f"What the next unit {whose} is expected to be like.",
        "Gains are of one clockwise turn, pivots count from the lowest note; +- is one standard uncertainty.",
    ]
    lowest = log2(product.range.lowest_note_hz)
    for each in known.values():
        lines += ["", f"{each.trim.label} ({each.name}): {each.trim.kind.value}, {each.trim.turns:g} turns"]
        lines += _quantity_lines("gain", each.gain, _SCALES[each.trim.kind])
        if each.pivot is not None:
            by_file, unit = _note(each.pivot.by_file), _note(each.pivot.next_unit)
            lines += _quantity_lines("pivot", each.pivot, _Scale(1.0, "octaves", lowest), by_file, unit)
    return lines


def _quantity_lines(name: str, learned: Learned, scale: _Scale, by_file: str = "", unit: str = "") -> list[str]:
    lines = [
        f"  {name:<6}product file    {scale.belief(learned.by_file)}{by_file}",
        f"        other batches   {_other_batches(learned, scale)}",
        *(f"          {code[:12]:<12}  {_taught(batch, scale)}" for code, batch in learned.others[:BATCHES_SHOWN]),
    ]
    hidden = len(learned.others) - BATCHES_SHOWN
    lines += [f"          and {hidden} more"] if hidden > 0 else []
    return [
        *lines,
        f"        this batch      {_taught(learned.batch, scale)}",
        f"        next unit       {scale.belief(learned.next_unit)}{unit}",
    ]


def _other_batches(learned: Learned, scale: _Scale) -> str:
    count = len(learned.others)
    if not count:
        return "none yet"
    batches = "1 batch" if count == 1 else f"{count} batches"
    return f"{batches}; a new batch is expected at {scale.belief(learned.expected.mean)}"


def _taught(batch: Batch, scale: _Scale) -> str:
    count = len(batch.good)
    if not count:
        return "no unit yet"
    units = "1 unit" if count == 1 else f"{count} units"
    odd = odd_units(batch)
    aside = f", {odd} odd and left aside" if odd else ""
    return f"{scale.belief(batch.mean)}, scatter {scale.spread(batch.unit_spread)}, from {units}{aside}"


def odd_units(batch: Batch) -> int:
    """Units that more probably than not have nothing to do with the rest of their batch."""
    return sum(each < BAD_BELOW for each in batch.good)


def _note(belief: Belief) -> str:
    """Pitch and nearest note of a pivot, where there is one worth naming."""
    if not LOWEST_SHOWN_OCTAVES <= belief.mean <= HIGHEST_SHOWN_OCTAVES:
        return ""
    hertz = 2.0**belief.mean
    return f" ({hertz:.{_decimals(hertz, 3)}f} Hz, {note_name(hertz).split()[0]})"


def _decimals(value: float, digits: int = 2) -> int:
    """Decimals that show so many digits of a number (JCGM 100, 7.2.6: two of an uncertainty suffice)."""
    return max(0, min(ceil(digits - 1 - floor(log10(abs(value)))), 15)) if value else 0


def trims_document(
    product: Product, batch: str | None, known: Mapping[str, KnownTrim], database: str
) -> dict[str, object]:
    """Plain data for programs: gains in the trim's own amount a clockwise turn, pivots in octaves re 1 Hz and in Hz."""
    identity = product.product
    return {
        "product": identity.name,
        "code": identity.code,
        "revision": identity.revision,
        "demonstration": identity.demonstration,
        "batch": batch,
        "database": database,
        "lowest_note_hz": product.range.lowest_note_hz,
        "trims": [_trim_document(each, log2(product.range.lowest_note_hz)) for each in known.values()],
    }


def _trim_document(known: KnownTrim, lowest_octaves: float) -> dict[str, object]:
    pivot = known.pivot
    return {
        "trim": known.name,
        "label": known.trim.label,
        "kind": known.trim.kind.value,
        "turns": known.trim.turns,
        "gain": {"unit": f"{_AMOUNTS[known.trim.kind]} per turn", **_learned_document(known.gain)},
        "pivot": None
        if pivot is None
        else {
            "unit": "octaves re 1 Hz",
            **_learned_document(pivot),
            "next_unit_hz": 2.0**pivot.next_unit.mean,
            "next_unit_octaves_above_lowest_note": pivot.next_unit.mean - lowest_octaves,
        },
    }


def _learned_document(learned: Learned) -> dict[str, object]:
    return {
        "by_file": _belief_document(learned.by_file),
        "expected_of_batch": _belief_document(learned.expected.mean),
        "batch": _batch_document(learned.batch),
        "next_unit": _belief_document(learned.next_unit),
        "other_batches": [{"batch": code, **_batch_document(batch)} for code, batch in learned.others],
    }


def _batch_document(batch: Batch) -> dict[str, object]:
    return {
        "units": len(batch.good),
        "odd_units": odd_units(batch),
        "mean": batch.mean.mean,
        "mean_standard_uncertainty": batch.mean.standard_uncertainty,
        "unit_spread": batch.unit_spread,
    }


def _belief_document(belief: Belief) -> dict[str, object]:
    return {"mean": belief.mean, "standard_uncertainty": belief.standard_uncertainty}
