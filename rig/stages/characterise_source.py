"""The source measured against the meter, up and down, with the fewest waits: one reading at each voltage each way.

A source that has not settled when it is read lags behind on the way up and on the way down, which shows as a
difference between the two; so nothing is read twice to see whether it has settled.

Where a second meter is left on the CV, no lead is moved: the curve only aims, and each point counts by its reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.bench_history import KnownCurve, keep_curve, known_curve
from rig.errors import BenchProblem
from rig.meter_range import configure_range
from rig.operators.port import MeterPlace
from rig.science.characterisation import CommonErrors, NotTheSource, characterise
from rig.science.measured_cv import MeasuredCv
from rig.specification import PERCENT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from drivers.meter import Meter
    from rig.beginning import BenchRecords
    from rig.bench import Bench
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.science.characterisation import Characterised, CvCorrection, SourceCurve
    from rig.specification import MeterError, RangeSpecification

    Array = NDArray[np.float64]

POINTS = 21
TRIES = 3
SLOWER = 2.0
"""After up and down disagreed, the source gets so many times longer to settle."""
SETTLED_V = 5e-5
NOISE_TIMES = 6.0
"""Up and down may differ by ``SETTLED_V`` (0.06 cent) or so many times the noise; beyond, it is tried more slowly."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What the meter read: programmed (n,), rising, and the readings at each on the way up and down, V."""

    programmed_v: Array
    up_v: Array
    down_v: Array


def know_the_source(
    bench: Bench, product: Product, operator: Operator, records: BenchRecords, *, ambient_c: float | None = None
) -> CvCorrection:
    """By what the CV is known: the curve that is still valid, or a new one; or the meter left on it, aimed by that.

    :raises BenchProblem: what the meter reads cannot be the source.
    """
    known = known_curve(records)
    if bench.clock.set_back_s:
        known = KnownCurve(
            None, "The clock was set back since the source was characterised, so its age is not known: once more."
        )
    full = product.range.full
    if known.curve is not None and known.curve.low_v <= full.low_v and known.curve.high_v >= full.high_v:
        operator.tell("The source was characterised this shift; its correction is used.")
        curve, scatter_v = known.curve, known.scatter_v
    else:
        operator.tell(known.doubt or "The source was characterised over less than this product's range: once more.")
        found = characterise_source(bench, product, operator, records, ambient_c=ambient_c)
        curve, scatter_v = found.curve, found.scatter_v
    if bench.cv_meter is None:
        return curve
    return _measured_at_each_point(bench, bench.cv_meter, product, operator, curve, scatter_v, ambient_c)


def _measured_at_each_point(
    bench: Bench,
    cv_meter: Meter,
    product: Product,
    operator: Operator,
    curve: SourceCurve,
    scatter_v: float,
    ambient_c: float | None,
) -> MeasuredCv:
    """The meter left on the CV made ready to read each point, and what its readings are worth."""
    span = product.range.full
    chosen = configure_range(cv_meter, bench.file.on_the_cv, max(abs(span.low_v), abs(span.high_v)))
    error = stated_error(bench, chosen, ambient_c)
    own_v = float(np.hypot(scatter_v, error.resolution_v))
    top_v = max(abs(product.range.full.low_v), abs(product.range.full.high_v))
    doubt_v = float(np.hypot(error.gain * top_v + error.offset_v, own_v))
    operator.tell(
        f"The CV is measured at each point by the meter that is left on it (at {top_v:g} V to {2e3 * doubt_v:.2f} mV, "
        "95 %); the other meter stays on the rail, and no lead is moved."
    )
    return MeasuredCv(curve, CommonErrors(error.gain, error.offset_v), own_v)


def characterise_source(
    bench: Bench, product: Product, operator: Operator, records: BenchRecords, *, ambient_c: float | None = None
) -> Characterised:
    """Have the meter put on the unit's CV jack, measure the source over the full range, fit and keep its curve.

    A meter that is left on the CV is on the jack already; only when it does not follow is somebody asked.

    :param ambient_c: temperature of the room, where it is known.
    :raises BenchProblem: what the meter reads cannot be the source, or no accuracy is stated for the meter today.
    """
    problem = ""
    for attempt in range(TRIES):
        if bench.cv_meter is None or attempt:
            operator.connect_meter(MeterPlace.CV_JACK)
        try:
            found = measured_curve(bench, product, operator, ambient_c=ambient_c)
        except NotTheSource as wrong:
            bench.source.require_untripped()
            problem = str(wrong)
            operator.tell(problem)
            if not bench.source.is_on():
                bench.source.output_on()
            continue
        keep_curve(records, found)
        bench.clock.forgive()
        operator.tell(sentence_of(found))
        return found
    raise BenchProblem(problem)


def measured_curve(
    bench: Bench, product: Product, operator: Operator, *, ambient_c: float | None = None
) -> Characterised:
    """Measure once, more slowly where up and down disagree, and fit.

    :raises NotTheSource: what the meter reads cannot be the source.
    """
    span = product.range.full
    highest_v = max(abs(span.low_v), abs(span.high_v))
    chosen = configure_range(bench.meter_on_the_cv, bench.file.on_the_cv, highest_v)
    error = stated_error(bench, chosen, ambient_c)
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
    resolution_v, meter = bench.file.source.resolution_v, bench.meter_on_the_cv
    grid = np.round(np.linspace(low_v, high_v, POINTS) / resolution_v) * resolution_v
    programmed = [round(float(each), 9) for each in grid]
    read_v: list[float] = []
    total = 2 * POINTS
    for voltage_v in programmed:
        bench.source.set_voltage(voltage_v)
        bench.clock.sleep(settling_s)
        read_v.append(meter.read_voltage())
        operator.progress("characterise", len(read_v), total)
    read_v.append(meter.read_voltage())
    for voltage_v in programmed[-2::-1]:
        bench.source.set_voltage(voltage_v)
        bench.clock.sleep(settling_s)
        read_v.append(meter.read_voltage())
        operator.progress("characterise", len(read_v), total)
    return Readings(np.array(programmed), np.array(read_v[:POINTS]), np.array(read_v[POINTS:])[::-1])


def stated_error(bench: Bench, chosen: RangeSpecification, ambient_c: float | None) -> MeterError:
    """What the specification of the meter on the CV says today of one of its ranges."""
    return bench.file.on_the_cv.error(chosen, bench.today, ambient_c)


def load_error(bench: Bench) -> CommonErrors:
    """What other units may load the source differently by: its resistance against the tolerance of theirs."""
    source_ohm, input_ohm = bench.file.source.output_resistance_ohm, bench.file.bench.unit_input_resistance_ohm
    tolerance = PERCENT * bench.file.bench.unit_input_tolerance_percent
    return CommonErrors(tolerance * source_ohm / (source_ohm + input_ohm) / sqrt(3.0), 0.0)


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
