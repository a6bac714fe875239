"""Cross-checks of the bench against itself, before a unit is blamed for what the bench did.

A doubt ends in a :class:`rig.errors.BenchDoubt`, whose sentence says what cannot be and where to look; whoever runs the
stage begins it anew a few times, and no verdict is given while it stays.
"""

from __future__ import annotations

from math import log2
from typing import TYPE_CHECKING

import numpy as np

from rig.errors import BenchDoubt
from rig.operators.port import MeterPlace
from rig.product import TrimKind
from rig.science.plausibility import LEVEL_CENTS, Doubt, hum_hz, oddness, rail_share_of_steps, unsaid_unit, whole_ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from rig.acquire import Acquisition, Point
    from rig.operators.port import Operator
    from rig.product import Product

    Array = NDArray[np.float64]

CENTS = 1200.0
FOLLOWS_SHARE = 0.02
"""A source that moves by so much less or more at the jack than it was told to is not believed."""
STEP_CENTS = 100.0
"""A pitch that is read twice with the same controls differs by no more, or something happened in between."""
RAIL_SCATTER_SHARE, RAIL_MOVED_SHARE = 0.01, 0.05
"""A rail whose readings scatter more, or that moved more since it was last read, is not believed at once."""
SLOW_LOOKS = 4
LEVEL_SLACK_OCTAVES = 0.25
RAIL_SHARE = 0.02
"""Rail by the meter and by the octave steps agree to this share: dividers are made of 1 % parts (common practice)."""


def level_of(acquisition: Acquisition, points: Sequence[Point]) -> float:
    """How far a whole unit lies from its nominal pitch, octaves: the median over the points of a sweep."""
    law, played = acquisition.product.law.law(), acquisition.product.range
    x, pitch_octaves = _drawn(acquisition, points)
    nominal_octaves = log2(played.lowest_note_hz) + x - float(law.octaves(played.base_cv_v))
    return float(np.median(pitch_octaves - nominal_octaves))


def require_no_hum(operator: Operator, octaves: Sequence[float]) -> None:
    """Doubt the lead before the unit, where the counter reads hum of the mains at every CV.

    :param octaves: pitches seen at CVs that differ, octaves re 1 Hz.
    :raises BenchDoubt: it is hum, and nobody vouches for the lead.
    """
    hum = hum_hz(2.0 ** np.asarray(octaves))
    if hum is not None and not operator.output_is_connected(
        f"The counter reads {hum:g} Hz whatever the CV, which is hum of the mains: check the output lead, its screen "
        "and the trigger level. If they are sure, the unit is dead."
    ):
        raise BenchDoubt(f"The counter reads hum of the mains ({hum:g} Hz), not the unit: check the output lead.")


def require_a_plausible_level(acquisition: Acquisition, operator: Operator, points: Sequence[Point]) -> None:
    """Doubt the counter before the unit, where the whole of it lies a ratio away that its trims cannot explain.

    :param points: of a sweep, controls at rest.
    :raises BenchDoubt: nobody vouches for counter and controls; or the counter answers in another unit.
    """
    level_octaves = level_of(acquisition, points)
    unit = unsaid_unit(level_octaves, LEVEL_CENTS)
    if unit:
        # nobody is asked: a unit that is off by a thousand cannot be told from it, and is no unit to judge
        raise BenchDoubt(
            f"The pitch is {2.0**level_octaves:.3g} times what it should be at every CV, as of a counter that answers "
            f"in {unit} and does not say so: set it to hertz, or the unit to the range of the product file, then scan "
            "it again."
        )
    ratio = whole_ratio(level_octaves, LEVEL_CENTS)
    if ratio is None or abs(level_octaves) <= _base_reach_octaves(acquisition.product):
        return
    if not operator.output_is_connected(
        f"The pitch is about {_times(ratio)} what it should be at every CV: the counter may trigger {_triggers(ratio)} "
        "each period, or the octave switch is not where it should be; check trigger level and switch. If they are "
        "sure, the unit is that far off."
    ):
        raise BenchDoubt(
            f"The counter reads about {_times(ratio)} the pitch: it triggers {_triggers(ratio)} each period, or the "
            "octave switch is not where it should be; see to trigger level and switch."
        )


def doubt_about_sweep(acquisition: Acquisition, points: Sequence[Point]) -> str:
    """Why a sweep is measured again, as a clause; empty where nothing is odd about it."""
    odd = oddness(*_drawn(acquisition, points))
    at_v = points[odd.index].cv_v
    match odd.doubt:
        case Doubt.FLAT:
            return f"the pitch at {at_v:.2f} V is the same as at another CV far from it"
        case Doubt.RATIO:
            return f"parts of the sweep lie a ratio of {odd.ratio:g} apart"
        case Doubt.TORN:
            return f"the pitch at {at_v:.2f} V lies on no curve with the others"
    return _level_moved(acquisition, points)


def require_a_plausible_sweep(acquisition: Acquisition, operator: Operator, points: Sequence[Point]) -> None:
    """Doubt the bench once more where a sweep stays odd: what no unit does, counter or source do.

    A curve that is torn or flat in any other way, and so again when it is looked at slowly, is a unit's own: it passes.

    :raises BenchDoubt: it is the bench.
    """
    odd = oddness(*_drawn(acquisition, points))
    if odd.doubt is Doubt.RATIO:
        raise BenchDoubt(
            f"The counter reads a part of every sweep {odd.ratio:g} times as high as the rest, which no unit does: it "
            "triggers too often or too seldom in each period there; set its trigger level, then scan the unit again."
        )
    if odd.doubt is Doubt.FLAT:
        hum = hum_hz([point.frequency_hz for point in points])
        if hum is not None:
            raise BenchDoubt(f"The counter reads hum of the mains ({hum:g} Hz), not the unit: check the output lead.")
        require_a_moving_cv(acquisition, operator)
    if odd.doubt is not Doubt.NONE:
        _require_reproduced(acquisition, points[odd.index])
    moved = _level_moved(acquisition, points)
    if moved and odd.doubt is Doubt.NONE:
        raise BenchDoubt(
            f"The unit cannot have changed so ({moved}): see to the counter's trigger level and time base, then scan "
            "it again."
        )


def require_a_moving_cv(acquisition: Acquisition, operator: Operator) -> None:
    """See by the meter that the CV at the unit's jack goes where the source was told to.

    :raises BenchDoubt: it does not: the source, its lead or the meter's is at fault, and not the unit.
    """
    bench, full = acquisition.bench, acquisition.product.range.full
    role = bench.file.on_the_cv
    meter = bench.cv_meter or bench.meter
    if bench.cv_meter is None:
        operator.connect_meter(MeterPlace.CV_JACK)
    meter.configure_dc(role.range_for(max(abs(full.low_v), abs(full.high_v))).range_v, role.integration_cycles)
    read = []
    for cv_v in (full.low_v, full.high_v):
        acquisition.hold(cv_v)
        read.append(meter.read_voltage())
    if bench.cv_meter is None and acquisition.product.limits.rail is not None and acquisition.meter_on_rail:
        operator.connect_meter(MeterPlace.RAIL)
    span_v = full.high_v - full.low_v
    if abs(read[1] - read[0] - span_v) > FOLLOWS_SHARE * span_v:
        raise BenchDoubt(
            f"The CV at the unit's jack goes from {read[0]:.3f} V to {read[1]:.3f} V where {full.low_v:g} V and "
            f"{full.high_v:g} V were set: the source does not do what it says, or its lead or the meter's is off; "
            "see to them, then scan the unit again."
        )


def require_unchanged(first_octaves: float, again_octaves: float, what: str) -> None:
    """A pitch that was read first and again last is the same but for a little drift.

    :raises BenchDoubt: it is another.
    """
    moved_cents = CENTS * (again_octaves - first_octaves)
    if abs(moved_cents) > STEP_CENTS:
        raise BenchDoubt(
            f"The pitch with {what} was {moved_cents:+.0f} cents off when it was read again: a contact is bad, or the "
            "counter's trigger level is"
        )


def require_a_plausible_rail(acquisition: Acquisition, rail_v: float, positions_octaves: Sequence[float]) -> None:
    """Hold the rail as the meter reads it against the rail as the octave switch shows it.

    :param positions_octaves: pitch at each position of the switch, the lowest first.
    :raises BenchDoubt: they disagree, though the switch is alive.
    """
    limit, switch = acquisition.product.limits.rail, acquisition.product.controls.octave
    if limit is None or switch is None or len(positions_octaves) < 2:
        return
    steps = np.asarray(positions_octaves[1:]) - positions_octaves[0]
    by_steps = rail_share_of_steps(steps, switch.octaves[1:])
    by_meter = rail_v / limit.nominal_v
    if abs(by_steps - 1.0) <= RAIL_SHARE < abs(by_meter - 1.0):
        raise BenchDoubt(
            f"The meter reads {rail_v:.3f} V where a rail of {limit.nominal_v:g} V should be, and the octave switch, "
            "which hangs on it, is right: the meter's lead is off or makes bad contact; put it back, then scan the "
            "unit again."
        )


def rail_doubt(acquisition: Acquisition, readings: Array, nominal_v: float) -> str:
    """Why the readings of a rail are not believed; empty where they are."""
    scatter_v, mean_v = float(np.ptp(readings)), float(np.mean(readings))
    if scatter_v > RAIL_SCATTER_SHARE * nominal_v:
        return f"The meter reads between {np.min(readings):.3f} V and {np.max(readings):.3f} V within a moment"
    if acquisition.rail_v is not None and abs(mean_v - acquisition.rail_v) > RAIL_MOVED_SHARE * nominal_v:
        return f"The meter reads {mean_v:.3f} V where it read {acquisition.rail_v:.3f} V before, which no trim does"
    return ""


def _require_reproduced(acquisition: Acquisition, point: Point) -> None:
    """Read an odd point once more, slowly: an instrument that lags behind gives another pitch by then.

    :raises BenchDoubt: it does.
    """
    acquisition.hold(point.cv_v)
    for _ in range(SLOW_LOOKS):
        frequency_hz = acquisition.read_once(point.gate_s)
    moved_cents = CENTS * log2(frequency_hz / point.frequency_hz)
    if abs(moved_cents) > STEP_CENTS:
        raise BenchDoubt(
            f"The counter read {point.frequency_hz:.2f} Hz at {point.cv_v:.2f} V in the sweep and reads "
            f"{frequency_hz:.2f} Hz there now: it lags behind, or a contact is bad; see to counter and leads"
        )


def _drawn(acquisition: Acquisition, points: Sequence[Point]) -> tuple[Array, Array]:
    """Octaves of the law and octaves re 1 Hz of each point, (points,)."""
    law = acquisition.product.law.law()
    x = np.asarray(law.octaves([point.cv_programmed_v for point in points]))
    return x, np.asarray(np.log2([point.frequency_hz for point in points]))


def _level_moved(acquisition: Acquisition, points: Sequence[Point]) -> str:
    """Whether the unit as a whole lies elsewhere than it did, farther than any trim moves it."""
    if acquisition.level_octaves is None:
        return ""
    moved = level_of(acquisition, points) - acquisition.level_octaves
    if abs(moved) <= LEVEL_SLACK_OCTAVES + 2.0 * _base_reach_octaves(acquisition.product):
        return ""
    return f"the pitch lies {moved:+.2f} octaves from where it was"


def _base_reach_octaves(product: Product) -> float:
    """How far the trim that moves every pitch alike moves it from its middle."""
    found = product.trim_of(TrimKind.BASE, TrimKind.GAIN)
    return 0.0 if found is None else abs(found[1].effect_per_turn) * found[1].turns / 2.0


def _times(ratio: float) -> str:
    return f"{ratio:g} times" if ratio >= 1.0 else f"1/{1.0 / ratio:g} of"


def _triggers(ratio: float) -> str:
    return f"{ratio:g} times" if ratio >= 1.0 else f"less than once (1/{1.0 / ratio:g})"
