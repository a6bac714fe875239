"""The bench of the study: virtual instruments inside the process, a batch of drawn units, the truth for the score.

Every method gets a bench of its own with the same seed, so that it meets the same units as they were drawn, in the same
order, on the same instruments with the same errors. The CV is known to all of them alike: the source is characterised
against the meter once, as at the start of a shift.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from drivers.source import VoltageLimits
from drivers.virtual.bench import VirtualBench
from fixtures import demonstration_bench, demonstration_product
from rig.bench import drawn_anew, load_bench, open_bench
from rig.product import StageName, TrimKind, load_product
from rig.stages.characterise_source import measured_curve
from tests.benchmarks.study.hands import worker
from tests.benchmarks.verdicts import true_characteristics

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rig.bench import Bench
    from rig.product import Product
    from rig.science.characterisation import CvCorrection
    from tests.benchmarks.study.hands import Worker

WARM_S = 1800.0
"""Every unit has been under power for so long when a method begins with it."""


@dataclass(frozen=True, slots=True)
class Place:
    """An open bench with somebody at it."""

    bench: Bench
    product: Product
    line: CvCorrection
    worker: Worker

    @property
    def virtual(self) -> VirtualBench:
        """The virtual bench behind the resources, for the score only."""
        provider = self.bench.provider
        if not isinstance(provider, VirtualBench):
            raise TypeError("the study runs on the virtual bench only")
        return provider


@dataclass(frozen=True, slots=True)
class Score:
    """What the truth says of a unit as it was left, cents; and which characteristics are outside their limits."""

    worst_full_cents: float
    worst_musical_cents: float
    outside: tuple[str, ...]
    pivot_octaves: float
    """Pivot over the lowest note."""


def job() -> Product:
    """The product without its knob: what every method of the study adjusts."""
    product = load_product(demonstration_product()).contents
    return product.model_copy(
        update={
            "controls": product.controls.model_copy(update={"knob": None}),
            "stages": tuple(stage for stage in product.stages if stage is not StageName.KNOB),
            "trims": {name: trim for name, trim in product.trims.items() if trim.kind is not TrimKind.CENTRE},
        }
    )


def serials(product: Product, batch: int, units: int) -> list[str]:
    """Serials of a batch."""
    return [product.serial.with_check_character(f"DM{batch:04d}{number:04d}") for number in range(1, units + 1)]


@contextmanager
def place(seed: int) -> Iterator[Place]:
    """Open a bench and characterise its source."""
    product = job()
    drawn = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault="")
    file = drawn.contents
    direct = replace(drawn, contents=file.model_copy(update={"virtual": {**(file.virtual or {}), "link": "direct"}}))
    absolute = product.range.absolute
    with open_bench(direct, VoltageLimits(absolute.low_v, absolute.high_v)) as bench:
        if bench.hands is None:
            raise TypeError("the study needs hands")
        person = worker(bench.hands, bench.clock, seed)
        bench.hands.insert("for the loaded jack")
        bench.source.output_on()
        yield Place(bench, product, measured_curve(bench, product, person).curve, person)


def put_in_warm(here: Place, serial: str) -> None:
    """Put a unit on the bench and wait until it has long been warm."""
    here.worker.hands.insert(serial)
    here.worker.hands.power(True)
    here.bench.clock.sleep(WARM_S)


def score(here: Place) -> Score:
    """Judge the unit on the bench by the truth: warm, hands away, without noise."""
    truth, product = here.virtual.truth().warm(), here.product
    values = true_characteristics(truth, product)
    limits = product.limits
    allowed = {
        "scale_error": limits.scale_error_cents_per_octave,
        "tracking_musical": limits.tracking_musical_cents,
        "tracking_full": limits.tracking_full_cents,
        "highs_error": limits.highs_error_cents,
        "base_pitch": limits.base_pitch_cents,
        **{name: limits.octave_step_cents for name in values if name.startswith("octave_step")},
    }
    outside = [name for name, most in allowed.items() if most is not None and abs(values[name]) > most]
    if limits.rail is not None and abs(values["rail"] - limits.rail.nominal_v) > limits.rail.plus_minus_v:
        outside.append("rail")
    return Score(
        worst_full_cents=values["tracking_full"],
        worst_musical_cents=values["tracking_musical"],
        outside=tuple(outside),
        pivot_octaves=float(np.log2(truth.description.core.pivot_hz / product.range.lowest_note_hz)),
    )
