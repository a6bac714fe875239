"""Figure: verdicts of whole visits against the truth that only the virtual oscillator knows.

Run ``python -m tests.benchmarks.verdicts [--repairable 200] [--faulty 50] [--seed 0] [--processes 2]``. Each
visit is the demonstration's own: real SCPI over real sockets, a virtual operator who turns imperfectly, a real
database.

A verdict is wrong when it passes a unit that is outside a limit, or fails one that is inside all of them by more than
the expanded uncertainty.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from db.engine import open_database
from drivers.source import VoltageLimits
from drivers.virtual.bench import VirtualBench
from drivers.virtual.faults import Fault as Drawn
from fixtures import demonstration_bench, demonstration_product
from rig.bench import drawn_anew, load_bench, open_bench
from rig.diagnosis import Fault
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.science.conformity import Decision
from rig.science.points import errors_cents
from rig.visit import Purpose, Request, Visit, run_visit

if TYPE_CHECKING:
    from drivers.virtual.truth import Truth
    from rig.product import Product

RIGHT_CAUSE = {
    Drawn.DEAD_STAGE: {Fault.DEAD_OUTPUT, Fault.DEAD_CV},
    Drawn.SCALE_OUT_OF_TRAVEL: {Fault.OUT_OF_TRAVEL},
    Drawn.OCTAVE_RESISTOR: {Fault.OCTAVE_DIVIDER},
    Drawn.LEAKAGE: {Fault.LEAKAGE},
    Drawn.SLOW_WARM_UP: {Fault.SLOW_WARM_UP},
}
PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One visit beside the truth."""

    seed: int
    fault: str
    decision: str
    passed: bool
    causes: tuple[str, ...]
    sentences: tuple[str, ...]
    wrong: tuple[str, ...]
    true_musical_cents: float
    measured_musical_cents: float
    moves: dict[str, int]
    bench_s: float
    pivot_octaves: float


def true_characteristics(truth: Truth, product: Product) -> dict[str, float]:
    """Every characteristic without noise, by the product's own definitions."""
    played = product.range
    law = product.law.law()
    cv_v = np.linspace(played.full.low_v, played.full.high_v, played.points)
    x = np.asarray(law.octaves(cv_v))
    pitch = np.log2([truth.frequency_hz(float(each)) for each in cv_v])
    musical = (cv_v >= played.musical.low_v - 1e-9) & (cv_v <= played.musical.high_v + 1e-9)
    error = np.asarray(errors_cents(x, pitch, musical))
    slope, offset = np.polyfit(x[musical], error[musical], 1)
    values = {
        "scale_error": float(slope),
        "tracking_musical": float(np.max(np.abs(error[musical]))),
        "tracking_full": float(np.max(np.abs(error))),
        "highs_error": float(error[-1] - offset - slope * x[-1]),
        "base_pitch": float(1200.0 * (pitch[0] - np.log2(played.lowest_note_hz))),
        "rail": truth.rail_v(),
        "drift_low": truth.drift_cents_per_minute(played.full.low_v),
        "drift_high": truth.drift_cents_per_minute(played.full.high_v),
    }
    switch, knob = product.controls.octave, product.controls.knob
    if switch is not None:
        at = np.log2([truth.frequency_hz(switch.read_at_cv_v, octave=each) for each in switch.positions])
        for position, nominal, pitch_there in zip(switch.positions[1:], switch.octaves[1:], at[1:], strict=True):
            values[f"octave_step_{position}"] = float(1200.0 * (pitch_there - at[0] - nominal))
    if knob is not None:
        low, middle, high = np.log2(
            [truth.frequency_hz(knob.read_at_cv_v, knob=each) for each in ("low", "middle", "high")]
        )
        values["knob_range"] = float(1200.0 * (high - low))
        values["knob_centre"] = float(1200.0 * (middle - (low + high) / 2.0))
    return values


def wrong_statements(visit: Visit, truths: dict[str, float]) -> tuple[str, ...]:
    """Findings that say pass of what is outside, or fail of what is inside by more than the expanded uncertainty.

    A conditional finding says that it may be either (ILAC-G8:09/2019); a conditional *verdict* that lets a unit pass
    counts in full.
    """
    wrong = []
    for finding in visit.findings:
        if finding.characteristic not in truths:
            continue
        true, limits = truths[finding.characteristic], finding.limits
        inside = min(true - limits.lowest, limits.highest - true)
        passed = finding.decision is Decision.PASS or visit.verdict.decision in PASSED
        failed = finding.decision is Decision.FAIL
        if (passed and inside < 0.0) or (failed and inside > finding.expanded_uncertainty):
            wrong.append(f"{finding.characteristic}: said {finding.value:.3f} {finding.decision}, true {true:.3f}")
    return tuple(wrong)


def run_one(seed: int, fault: str, folder: Path) -> Outcome:
    """One visit of the demonstration with this seed."""
    product = load_product(demonstration_product())
    bench_file = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault=fault)
    serial = product.contents.serial.with_check_character(f"DM2600{seed % 10000:04d}")
    absolute = product.contents.range.absolute
    with (
        open_database(f"sqlite:///{folder}/{fault or 'good'}-{seed}.sqlite") as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):
        assert bench.hands is not None
        operator = VirtualOperator(bench.hands, bench.clock, seed)
        request = Request(serial, Purpose.ADJUST, "virtual operator", seed=seed)
        visit = run_visit(bench, bench_file, product, operator, database, request)
        assert isinstance(bench.provider, VirtualBench)
        truth = bench.provider.truth()
    alive = truth.frequency_hz(1.0) > 0.0
    truths = true_characteristics(truth, product.contents) if alive else {}
    musical = next((each.value for each in visit.findings if each.characteristic == "tracking_musical"), float("nan"))
    return Outcome(
        seed=seed,
        fault=fault,
        decision=visit.verdict.decision.value,
        passed=visit.verdict.decision in PASSED,
        causes=tuple(cause.fault.value for cause in visit.verdict.causes),
        sentences=tuple(cause.sentence for cause in visit.verdict.causes),
        wrong=wrong_statements(visit, truths),
        true_musical_cents=truths.get("tracking_musical", float("nan")),
        measured_musical_cents=musical,
        moves=dict(visit.oscillators[0].moves),
        bench_s=visit.duration_s,
        pivot_octaves=float(np.log2(truth.description.core.pivot_hz / product.contents.range.lowest_note_hz)),
    )


def _one(task: tuple[int, str, Path]) -> Outcome:
    return run_one(*task)


def run_all(tasks: list[tuple[int, str, Path]], processes: int) -> list[Outcome]:
    """All visits, in as many processes as asked for."""
    if processes <= 1:
        return [_one(task) for task in tasks]
    with get_context("spawn").Pool(processes) as pool:
        return pool.map(_one, tasks, chunksize=5)


def report(outcomes: list[Outcome]) -> str:
    """The figures as text."""
    good = [each for each in outcomes if not each.fault]
    bad = [each for each in outcomes if each.fault]
    lines = [f"repairable: {sum(each.passed for each in good)} of {len(good)} passed"]
    named = [
        each for each in bad if not each.passed and RIGHT_CAUSE[Drawn(each.fault)] & {Fault(c) for c in each.causes}
    ]
    lines.append(
        f"not repairable: {sum(not each.passed for each in bad)} of {len(bad)} failed, {len(named)} with the cause "
        "named"
    )
    lines.append(f"wrong statements: {sum(len(each.wrong) for each in outcomes)} in {len(outcomes)} visits")
    if good:
        true = np.array([each.true_musical_cents for each in good])
        lines.append(
            f"as-left worst musical error (truth): median {np.median(true):.2f}, 95 % {np.percentile(true, 95):.2f}, "
            f"largest {true.max():.2f} cents; under 1.5 cents: {100 * np.mean(true < 1.5):.1f} %"
        )
        for trim in ("scale", "highs", "rail", "base", "centre"):
            counts = Counter(each.moves[trim] for each in good if each.moves.get(trim))
            touched = [count for each in good if (count := each.moves.get(trim, 0))]
            if touched:
                lines.append(
                    f"moves of {trim} where touched: median {np.median(touched):.1f}, {dict(sorted(counts.items()))}"
                )
        pivots = np.array([each.pivot_octaves for each in good])
        lines.append(
            f"pivots below, inside, above the range: {np.sum(pivots < 0)}, {np.sum((pivots >= 0) & (pivots <= 8))}, "
            f"{np.sum(pivots > 8)}; bench time median {np.median([each.bench_s for each in good]):.0f} s"
        )
    for each in outcomes:
        ok = each.passed if not each.fault else each in named
        if not ok or each.wrong:
            lines.append(
                f"  seed {each.seed} {each.fault}: {each.decision} {each.causes} {each.wrong} {each.sentences}"
            )
    return "\n".join(lines)


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repairable", type=int, default=200)
    parser.add_argument("--faulty", type=int, default=50)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    faults = [each.value for each in Drawn]
    with tempfile.TemporaryDirectory() as folder:
        tasks = [(chosen.seed + index, "", Path(folder)) for index in range(chosen.repairable)]
        tasks += [(chosen.seed + index, faults[index % len(faults)], Path(folder)) for index in range(chosen.faulty)]
        print(report(run_all(tasks, chosen.processes)))


if __name__ == "__main__":
    main()
