"""The source measured against the meter, up and down, with the fewest waits: one reading at each voltage each way.

A source that has not settled when it is read lags behind on the way up and on the way down, which shows as a
difference between the two; so nothing is read twice to see whether it has settled.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.bench_history import keep_curve, known_curve
from rig.errors import BenchProblem
from rig.operators.port import MeterPlace
from rig.science.characterisation import CommonErrors, NotTheSource, characterise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.bench import Bench
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.records import BenchRecords
    from rig.science.characterisation import Characterised, SourceCurve
    from rig.specification import MeterError, RangeSpecification

    Array = NDArray[np.float64]

POINTS = 21
TRIES = 3
SLOWER = 2.0
"""After up and down disagreed, the source gets so many times longer to settle."""
SETTLED_V = 5e-5
NOISE_TIMES = 6.0
"""Up and down may differ by ``SETTLED_V`` (0.06 cent) or so many times the noise; beyond, it is tried more slowly."""
LOAD_TOLERANCE = 0.05
"""Common practice: an input made of 5 % parts at worst; it counts by the source's resistance against it."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What the meter read: programmed (n,), rising, and the readings at each on the way up and down, V."""

    programmed_v: Array
    up_v: Array
    down_v: Array


def know_the_source(
    bench: Bench, product: Product, operator: Operator, records: BenchRecords, *, ambient_c: float | None = None
) -> SourceCurve:
    """The curve that is still valid, or a new one.

    :raises BenchProblem: what the meter reads cannot be the source.
    """
    known = known_curve(records)
    full = product.range.full
    if known.curve is not None and known.curve.low_v <= full.low_v and known.curve.high_v >= full.high_v:
        operator.tell("The source was characterised this shift; its correction is used.")
        return known.curve
    operator.tell(known.doubt or "The source was characterised over less than this product's range: once more.")
    return characterise_source(bench, product, operator, records, ambient_c=ambient_c).curve


def characterise_source(
    bench: Bench, product: Product, operator: Operator, records: BenchRecords, *, ambient_c: float | None = None
) -> Characterised:
    """Have the meter put on the unit's CV jack, measure the source over the full range, fit and keep its curve.

    :param ambient_c: temperature of the room, where it is known.
    :raises BenchProblem: what the meter reads cannot be the source, or no accuracy is stated for the meter today.
    """
    problem = ""
    for _ in range(TRIES):
        operator.connect_meter(MeterPlace.CV_JACK)
        try:
            found = measured_curve(bench, product, operator, ambient_c=ambient_c)
        except NotTheSource as wrong:
            problem = str(wrong)
            operator.tell(problem)
            if not bench.source.is_on():
                bench.source.output_on()
            continue
        keep_curve(records, found)
        operator.tell(sentence_of(found))
        return found
    raise BenchProblem(problem)


def measured_curve(
    bench: Bench, product: Product, operator: Operator, *, ambient_c: float | None = None
) -> Characterised:
    """Measure once, more slowly where up and down disagree, and fit.

    :raises NotTheSource: what the meter reads cannot be the source.
    """
    span, role = product.range.full, bench.file.meter
    chosen = role.range_for(max(abs(span.low_v), abs(span.high_v)))
    error = stated_error(bench, chosen, ambient_c)
    bench.meter.configure_dc(chosen.range_v, role.integration_cycles)
    settling_s = bench.file.source.settling_s
    for _ in range(TRIES):
        readings = read_up_and_down(bench, span.low_v, span.high_v, settling_s, operator)
        differ_v = float(np.max(np.abs(readings.up_v - readings.down_v)))
        noise_v = NOISE_TIMES * _noise_v(readings)
        if differ_v <= max(SETTLED_V, noise_v):
            break
        settling_s *= SLOWER
        operator.tell(f"Up and down differ by {1e3 * differ_v:.2f} mV: once more, with {settling_s:.2g} s to settle.")
    return characterise(
        readings.programmed_v,
        readings.up_v,
        readings.down_v,
        reading_u_v=error.resolution_v,
        common=CommonErrors(error.gain, error.offset_v).and_also(load_error(bench)).and_also(wander_error(bench)),
    )


def read_up_and_down(bench: Bench, low_v: float, high_v: float, settling_s: float, operator: Operator) -> Readings:
    """Program evenly spread voltages up and then down, and read the meter once at each.

    The voltage at the top is read twice, for each way; between the two nothing is programmed.
    """
    resolution_v = bench.file.source.resolution_v
    grid = np.round(np.linspace(low_v, high_v, POINTS) / resolution_v) * resolution_v
    programmed = [round(float(each), 9) for each in grid]
    read_v: list[float] = []
    total = 2 * POINTS
    for voltage_v in programmed:
        bench.source.set_voltage(voltage_v)
        bench.clock.sleep(settling_s)
        read_v.append(bench.meter.read_voltage())
        operator.progress("characterise", len(read_v), total)
    read_v.append(bench.meter.read_voltage())
    for voltage_v in programmed[-2::-1]:
        bench.source.set_voltage(voltage_v)
        bench.clock.sleep(settling_s)
        read_v.append(bench.meter.read_voltage())
        operator.progress("characterise", len(read_v), total)
    return Readings(np.array(programmed), np.array(read_v[:POINTS]), np.array(read_v[POINTS:])[::-1])


def stated_error(bench: Bench, chosen: RangeSpecification, ambient_c: float | None) -> MeterError:
    """What the meter's specification says today of one of its ranges."""
    return bench.file.meter.error(chosen, bench.today, ambient_c)


def load_error(bench: Bench) -> CommonErrors:
    """What other units may load the source differently by: its resistance against the tolerance of theirs."""
    source_ohm, input_ohm = bench.file.source.output_resistance_ohm, bench.file.bench.unit_input_resistance_ohm
    return CommonErrors(LOAD_TOLERANCE * source_ohm / (source_ohm + input_ohm) / sqrt(3.0), 0.0)


def wander_error(bench: Bench) -> CommonErrors:
    """What the source may wander by while its curve is valid."""
    wander = bench.file.source.wander_error()
    return CommonErrors(wander.gain, wander.offset_v)


def sentence_of(found: Characterised) -> str:
    """The source in one sentence."""
    curve = found.curve
    true_v, uncertainty_v = curve.evaluate([curve.low_v, curve.high_v])
    kind = "a straight line" if curve.order == 1 else f"a curve of order {curve.order}"
    return (
        f"The source is known by {kind}: {1e3 * (true_v[0] - curve.low_v):+.2f} mV at {curve.low_v:g} V and "
        f"{1e3 * (true_v[1] - curve.high_v):+.2f} mV at {curve.high_v:g} V, each to {2e3 * max(uncertainty_v):.2f} mV "
        f"(95 %); up and down differ by {1e3 * found.hysteresis_v:.2f} mV at most."
    )


def _noise_v(readings: Readings) -> float:
    """Standard deviation of a reading, from how differences between up and down vary from one voltage to the next."""
    return float(np.std(np.diff(readings.up_v - readings.down_v))) / 2.0
