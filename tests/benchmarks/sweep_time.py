"""Figure: bench time of a full sweep against its floor, on the bench's own clock.

Run ``python -m tests.benchmarks.sweep_time [--units 20] [--seed 0]``.

The floor is the least that the same points and returns can take: for each, one message to set the CV, the unit's own
settling (until the pitch stays within a tenth of the uncertainty wanted, computed from the virtual source and unit
themselves), the shortest gate that gives the uncertainty wanted as whole periods with the mean wait for the first edge,
and one message to fetch; read-back goes on during the gate.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from math import ceil, log
from typing import TYPE_CHECKING

import numpy as np

from drivers.source import VoltageLimits
from drivers.virtual.bench import VirtualBench
from fixtures import demonstration_bench, demonstration_product
from rig.acquire import Acquisition, TimeSpent, sweep, sweep_order
from rig.bench import drawn_anew, load_bench, open_bench
from rig.product import load_product
from rig.stages.warm_up import expected_frequency_hz
from tests.straight import straight_curve

if TYPE_CHECKING:
    from rig.acquire import Point

WARM_S = 900.0
CENT = log(2.0) / 1200.0


@dataclass(frozen=True, slots=True)
class SweepTime:
    """One sweep: its time, its floor, where the time went, and what it was good for."""

    seed: int
    duration_s: float
    floor_s: float
    spent: TimeSpent
    worst_uncertainty_cents: float
    worst_deviation_cents: float
    messages_per_point: float

    @property
    def ratio(self) -> float:
        """Time over floor."""
        return self.duration_s / self.floor_s


def settling_s(time_constants_s: tuple[float, float], step_cents: float, within_cents: float) -> float:
    """Time after which two lags in a row have brought a step within a bound (closed form, solved by bisection)."""
    slow, fast = max(time_constants_s), min(time_constants_s)
    fast = min(fast, 0.999 * slow)
    if step_cents <= within_cents:
        return 0.0
    low, high = 0.0, 40.0 * slow
    for _ in range(60):
        middle = (low + high) / 2.0
        left = (slow * np.exp(-middle / slow) - fast * np.exp(-middle / fast)) / (slow - fast)
        low, high = (middle, high) if step_cents * left > within_cents else (low, middle)
    return high


def gate_floor_s(frequency_hz: float, acquisition: Acquisition) -> float:
    """Shortest gate for the uncertainty wanted: whole periods, and half a period until the first edge."""
    counter, rules = acquisition.bench.file.counter, acquisition.measuring
    wanted = rules.uncertainty_cents * CENT
    noise = rules.noise_cents_at_1s * CENT
    low, high = 1e-5, 10.0
    for _ in range(60):
        gate = (low + high) / 2.0
        edge = 2.0 * counter.trigger_jitter_s**2 + counter.resolution_s**2 / 12.0
        variance = edge / gate**2 + noise**2 / gate
        low, high = (gate, high) if variance > wanted**2 else (low, gate)
    return (ceil(high * frequency_hz) + 0.5) / frequency_hz


def floor_s(acquisition: Acquisition, virtual: VirtualBench, cvs_v: list[float]) -> float:
    """Floor of a sweep over these CVs with the returns of the rig's own order."""
    truth = virtual.truth()
    lags = (
        truth.source.settling_time_constant_s,
        truth.description.input.time_constant_s,
    )
    latency_s = 0.005
    total, at_v = 0.0, cvs_v[0]
    for index, _ in sweep_order(len(cvs_v)):
        step_cents = 1200.0 * abs(cvs_v[index] - at_v)
        at_v = cvs_v[index]
        total += latency_s + settling_s(lags, step_cents, 0.1 * acquisition.measuring.uncertainty_cents)
        total += gate_floor_s(truth.frequency_hz(at_v), acquisition) + latency_s
    return total


def one_sweep(seed: int) -> SweepTime:
    """One warm unit of the demonstration, swept once; the CV's line is taken as exact."""
    product = load_product(demonstration_product()).contents
    bench_file = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault="")
    absolute, full = product.range.absolute, product.range.full
    with open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench:
        assert bench.hands is not None
        bench.hands.insert(product.serial.with_check_character(f"DM2600{seed:04d}"))
        bench.hands.power(True)
        bench.source.output_on()
        acquisition = Acquisition(bench, product, straight_curve(0.005, 1.0005, np.zeros((2, 2))))
        acquisition.hold(full.low_v)
        acquisition.read_once(0.1)
        bench.clock.sleep(WARM_S)
        acquisition.spent = TimeSpent()
        cvs_v = [float(each) for each in np.linspace(full.low_v, full.high_v, product.range.points)]
        before = sum(session.messages for session in bench.sessions.values())
        began = bench.clock.now()
        points: list[Point] = list(
            sweep(
                acquisition,
                cvs_v,
                lambda cv_v: expected_frequency_hz(acquisition, cv_v),
                uncertainty_cents=product.measuring.uncertainty_cents,
            )
        )
        duration_s = bench.clock.now() - began
        messages = sum(session.messages for session in bench.sessions.values()) - before
        virtual = bench.provider
        assert isinstance(virtual, VirtualBench)
        truth = virtual.truth()
        deviation = [
            abs(log(each.frequency_hz / truth.frequency_hz(truth.jack_voltage_v(each.cv_programmed_v)))) / CENT
            - 2e-6 / CENT
            for each in points
        ]
        return SweepTime(
            seed=seed,
            duration_s=duration_s,
            floor_s=floor_s(acquisition, virtual, cvs_v),
            spent=acquisition.spent,
            worst_uncertainty_cents=max(each.relative_standard_uncertainty for each in points) / CENT,
            worst_deviation_cents=max(deviation),
            messages_per_point=(messages - sum(each.readings_taken - 1 for each in points)) / len(points),
        )


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    chosen = parser.parse_args()
    times = [one_sweep(chosen.seed + index) for index in range(chosen.units)]
    ratios = np.array([each.ratio for each in times])
    print(
        f"{len(times)} sweeps of 17 points and 4 returns from 32.7 Hz at 0.1 cent: median "
        f"{np.median([each.duration_s for each in times]):.2f} s, longest "
        f"{max(each.duration_s for each in times):.2f} s"
    )
    print(f"over the floor: median {np.median(ratios):.3f}, largest {ratios.max():.3f}")
    spent = times[0].spent
    print(
        f"first: floor {times[0].floor_s:.2f} s; settling {spent.settling_s:.2f}, gating {spent.gating_s:.2f}, traffic "
        f"{spent.traffic_s:.2f}, waiting {spent.waiting_s(times[0].duration_s):.2f} s"
    )
    print(
        f"worst standard uncertainty {max(each.worst_uncertainty_cents for each in times):.3f} cents, largest "
        f"deviation from the truth {max(each.worst_deviation_cents for each in times):.2f} cents"
    )
    print(f"messages a point besides settling reads: {max(each.messages_per_point for each in times):.2f}")


if __name__ == "__main__":
    main()
