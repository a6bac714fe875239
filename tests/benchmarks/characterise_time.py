"""Figure: bench time of a characterisation of the source against its floor, on the bench's own clock.

Run ``python -m tests.benchmarks.characterise_time [--benches 10] [--seed 0]``.

The floor is the least that 21 voltages up and down can take, one reading each: for each, one message to program it
(none for the second reading at the top), the virtual source's own settling until a step has less left than the meter
resolves or its noise hides, whichever is more, and one message that reads, with the meter's integration. The first
step, from 0 V to the lowest voltage, counts as none.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from math import log

import numpy as np

from drivers.source import VoltageLimits
from drivers.virtual.bench import VirtualBench
from fixtures import demonstration_bench, demonstration_product
from rig.bench import drawn_anew, load_bench, open_bench
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.stages.characterise_source import POINTS, measured_curve

LATENCY_S = 0.005


@dataclass(frozen=True, slots=True)
class Taken:
    """One characterisation: bench time, floor, the program's own time, and how far the curve is from the truth."""

    duration_s: float
    floor_s: float
    computing_s: float
    worst_v: float
    worst_in_uncertainties: float
    order: int


def floor_s(virtual: VirtualBench, span_v: float, integration_s: float) -> float:
    """Least time for the readings that are taken."""
    truth = virtual.truth()
    configuration = virtual._configuration.meter
    chosen = next(each for each in configuration.ranges if each.range_v >= span_v)
    ppm = max(configuration.noise_ppm_of_range, configuration.resolution_ppm_of_range)
    settling_s = truth.source.settling_time_constant_s * log(span_v / (POINTS - 1) / (ppm * 1e-6 * chosen.range_v))
    readings, changes = 2 * POINTS, 2 * POINTS - 1
    return changes * LATENCY_S + (changes - 1) * settling_s + readings * (LATENCY_S + integration_s)


def one_bench(seed: int) -> Taken:
    """One virtual bench with its meter's errors drawn anew."""
    product = load_product(demonstration_product()).contents
    bench_file = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault="")
    absolute = product.range.absolute
    with open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench:
        assert bench.hands is not None
        bench.hands.insert("any")
        bench.hands.connect_meter("source")
        bench.source.output_on()
        bench.clock.sleep(1.0)
        began, started = bench.clock.now(), time.perf_counter()
        found = measured_curve(bench, product, VirtualOperator(bench.hands, bench.clock, seed))
        duration_s, computing_s = bench.clock.now() - began, time.perf_counter() - started
        virtual = bench.provider
        assert isinstance(virtual, VirtualBench)
        truth = virtual.truth()
        programmed_v = np.linspace(product.range.full.low_v, product.range.full.high_v, 81)
        true_v, uncertainty_v = found.curve.evaluate(programmed_v)
        wrong_v = true_v - np.array([truth.jack_voltage_v(float(each)) for each in programmed_v])
        integration_s = bench.file.meter.integration_cycles / bench.file.meter.mains_hz
        return Taken(
            duration_s=duration_s,
            floor_s=floor_s(virtual, product.range.full.high_v - product.range.full.low_v, integration_s),
            computing_s=computing_s,
            worst_v=float(np.max(np.abs(wrong_v))),
            worst_in_uncertainties=float(np.max(np.abs(wrong_v) / uncertainty_v)),
            order=found.curve.order,
        )


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    chosen = parser.parse_args()
    taken = [one_bench(chosen.seed + index) for index in range(chosen.benches)]
    ratios = np.array([each.duration_s / each.floor_s for each in taken])
    duration_s, least_s = (np.median([getattr(each, name) for each in taken]) for name in ("duration_s", "floor_s"))
    print(
        f"{len(taken)} characterisations of {POINTS} voltages up and down: bench time {duration_s:.2f} s, floor "
        f"{least_s:.2f} s; over the floor: median {np.median(ratios):.3f}, largest {ratios.max():.3f}"
    )
    print(
        f"the program's own time {np.median([each.computing_s for each in taken]):.2f} s; orders taken: "
        f"{sorted({each.order for each in taken})}"
    )
    print(
        f"curve against the truth: {1e6 * max(each.worst_v for each in taken):.0f} microvolts at worst, "
        f"{max(each.worst_in_uncertainties for each in taken):.2f} standard uncertainties"
    )


if __name__ == "__main__":
    main()
