"""Limits to judge again by: a product file, or a small file with some limits in it and the rest as they were."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, ValidationError

from rig.errors import FileProblem, WrongInput
from rig.product import Product, RailLimit
from rig.science.conformity import Limits, Rule
from rig.tomlfile import Checked, every_problem, read, refuse_flags

if TYPE_CHECKING:
    from pathlib import Path

CENTS = 1200.0
KIND = "limits file"
Positive = Annotated[float, Field(gt=0)]


class SomeLimits(Checked):
    """The limits of a product file, each of which may be left out: then it stays as it was."""

    rail: RailLimit | None = None
    scale_error_cents_per_octave: Positive | None = None
    tracking_musical_cents: Positive | None = None
    tracking_full_cents: Positive | None = None
    highs_error_cents: Positive | None = None
    octave_step_cents: Positive | None = None
    base_pitch_cents: Positive | None = None
    knob_range_cents: Positive | None = None
    knob_centre_cents: Positive | None = None
    drift_cents_per_minute: Positive | None = None


class LimitsFile(Checked):
    """A small file of limits."""

    decision_rule: Rule | None = None
    limits: SomeLimits = SomeLimits()


@dataclass(frozen=True, slots=True)
class OtherLimits:
    """Limits to judge by, and the rule; what is None stays as it was in each finding.

    :param product: the product file that they come from, where they come from one.
    """

    limits: SomeLimits
    rule: Rule | None
    product: Product | None = None

    def of(self, characteristic: str, knob_octaves: float | None) -> Limits | None:
        """Limits of one characteristic, or None where it keeps its own.

        :param characteristic: as in findings; the name of an oscillator may stand before it.
        :param knob_octaves: nominal range of the product's knob.
        """
        name, given = characteristic.rpartition(".")[2], self.limits
        if name == "rail" and given.rail is not None:
            return Limits(
                given.rail.nominal_v - given.rail.plus_minus_v, given.rail.nominal_v + given.rail.plus_minus_v
            )
        if name in ("tracking_musical", "tracking_full"):
            highest = given.tracking_musical_cents if name == "tracking_musical" else given.tracking_full_cents
            return None if highest is None else Limits(None, highest)
        if name == "knob_range":
            if given.knob_range_cents is None or knob_octaves is None:
                return None
            nominal = CENTS * knob_octaves
            return Limits(nominal - given.knob_range_cents, nominal + given.knob_range_cents)
        plus_minus = {
            "scale_error": given.scale_error_cents_per_octave,
            "highs_error": given.highs_error_cents,
            "base_pitch": given.base_pitch_cents,
            "knob_centre": given.knob_centre_cents,
            "drift_low": given.drift_cents_per_minute,
            "drift_high": given.drift_cents_per_minute,
        }.get(name, given.octave_step_cents if name.startswith("octave_step_") else None)
        return None if plus_minus is None else Limits(-plus_minus, plus_minus)


UNCHANGED = OtherLimits(SomeLimits(), None)
"""Every finding keeps its own limits and rule."""


def load_limits(path: Path) -> OtherLimits:
    """Read and check limits from a product file or from a small file of its own.

    :raises FileProblem: it cannot be read, or names every field that is wrong.
    """
    _, raw = read(path, KIND)
    try:
        if "product" in raw:
            product = Product.model_validate(raw)
            refuse_flags(raw, product, f"{KIND} {path}")
            return OtherLimits(SomeLimits.model_validate(product.limits.model_dump()), product.decision_rule, product)
        file = LimitsFile.model_validate(raw)
    except ValidationError as error:
        raise FileProblem(every_problem(error, f"{KIND} {path}")) from None
    refuse_flags(raw, file, f"{KIND} {path}")
    if file.decision_rule is None and file.limits == SomeLimits():
        raise FileProblem(
            f"The {KIND} {path} has neither limits nor a decision_rule: give it a [limits] table with a limit in it, "
            "named as in a product file."
        )
    return OtherLimits(file.limits, file.decision_rule)


def require_same_ranges(given: OtherLimits, recorded: Product, place: str) -> None:
    """See that a product file changes no more than limits and rule: other ranges would make other findings.

    :param place: the file, for the message.
    :raises WrongInput: law, range, controls or oscillators differ from those under which the units were measured.
    """
    if given.product is None:
        return
    parts = {
        "law": (given.product.law, recorded.law),
        "range": (given.product.range, recorded.range),
        "controls": (given.product.controls, recorded.controls),
        "oscillators": (given.product.oscillators, recorded.oscillators),
    }
    differing = [name for name, (theirs, ours) in parts.items() if theirs != ours]
    if differing:
        raise WrongInput(
            f"The product file {place} differs from that of the batch in {' and '.join(differing)}, not only in "
            "limits: units would have to be measured anew; give a file with other limits only."
        )


def sides(limits: Limits) -> tuple[float, float]:
    """Limits as numbers, infinite where a side has none."""
    return (-inf if limits.low is None else limits.low), (inf if limits.high is None else limits.high)
