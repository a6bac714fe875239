"""Know the CV first: once a shift the meter goes on the unit's CV jack and the played range is measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.acquire import CvLine
from rig.errors import BenchProblem
from rig.operators.port import MeterPlace
from rig.science.uncertainty import fit_line

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.records import BenchRecords

TRIES = 3
POINTS = 9
READINGS = 3
GAIN_TOLERANCE = 0.05
OFFSET_TOLERANCE_V = 0.1
RESIDUAL_TOLERANCE_V = 0.01


def know_the_cv(bench: Bench, product: Product, operator: Operator, records: BenchRecords) -> CvLine:
    """Characterisation that is still valid, or a new one.

    :raises BenchProblem: what the meter reads cannot be the source.
    """
    known = records.valid_line()
    if known is not None:
        operator.tell("The source was characterised this shift; its correction is used.")
        return known
    problem: BenchProblem | None = None
    for _ in range(TRIES):
        operator.connect_meter(MeterPlace.CV_JACK)
        try:
            line, document = characterise(bench, product, operator)
        except BenchProblem as error:
            problem = error
            operator.tell(str(error))
            continue
        records.keep_line(line, document)
        return line
    raise problem or BenchProblem("The source was not characterised: start again.")


def characterise(bench: Bench, product: Product, operator: Operator) -> tuple[CvLine, dict[str, list[float] | float]]:
    """Measure the source against the meter over the full range, and fit a straight line.

    The meter's own limits of error are common to all points, so they go into the line's covariance, not into its
    weights (JCGM 100, 5.2.4 and annex F.1.2.3).
    """
    span = product.range.full
    role = bench.file.meter
    chosen = role.range_for(max(abs(span.low_v), abs(span.high_v)))
    bench.meter.configure_dc(chosen.range_v, role.integration_cycles)
    programmed = np.round(np.linspace(span.low_v, span.high_v, POINTS) / bench.file.source.resolution_v)
    programmed = programmed * bench.file.source.resolution_v
    measured, scatter = np.empty(POINTS), np.empty(POINTS)
    for index, voltage_v in enumerate(programmed):
        bench.source.set_voltage(float(round(voltage_v, 9)))
        bench.clock.sleep(2.0 * bench.file.source.settling_s)
        readings = np.array(bench.meter.read_voltages(READINGS))
        measured[index] = np.mean(readings)
        scatter[index] = np.std(readings, ddof=1)
        operator.progress("characterise", index + 1, POINTS)
    repeatability_v = float(np.sqrt(np.mean(scatter**2) / READINGS))
    floor_v = bench.file.source.resolution_v / np.sqrt(12.0)
    fitted = fit_line(programmed, measured, np.full(POINTS, np.hypot(repeatability_v, floor_v)))
    offset_v, gain = float(fitted.coefficients[0]), float(fitted.coefficients[1])
    residuals_v = measured - offset_v - gain * programmed
    _require_the_source(offset_v, gain, float(np.max(np.abs(residuals_v))))
    systematic = np.diag([(chosen.range_v * chosen.range_ppm * 1e-6) ** 2, (chosen.reading_ppm * 1e-6) ** 2]) / 3.0
    line = CvLine(offset_v, gain, np.asarray(fitted.covariance) + systematic)
    document: dict[str, list[float] | float] = {
        "programmed_v": [float(each) for each in programmed],
        "measured_v": [float(each) for each in measured],
        "chi_squared": float(fitted.chi_squared),
        "degrees_of_freedom": float(POINTS - 2),
    }
    return line, document


def _require_the_source(offset_v: float, gain: float, residual_v: float) -> None:
    if abs(gain - 1.0) > GAIN_TOLERANCE or abs(offset_v) > OFFSET_TOLERANCE_V or residual_v > RESIDUAL_TOLERANCE_V:
        raise BenchProblem(
            f"The meter does not follow the source (gain {gain:.3f}, offset {offset_v:.3f} V, up to "
            f"{residual_v:.3f} V off a straight line): put the meter's lead on the unit's CV jack, check the "
            "ground, and start again."
        )
