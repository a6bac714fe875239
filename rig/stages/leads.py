"""The meter's one lead: moved by hand, believed by what it reads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.errors import BenchProblem
from rig.operators.port import MeterPlace
from rig.recommend import RAIL_PLAUSIBLE_SHARE

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.operators.port import Operator

TRIES = 3
FOLLOWS_SHARE = 0.2
"""A meter whose reading moves by more than this share of a CV step is on the CV, not on the rail."""


def meter_to_rail(acquisition: Acquisition, operator: Operator) -> None:
    """Have the lead put on the rail, and see that the reading does not follow the CV.

    Where another meter is left on the CV, this one is on the rail already: it is looked at, and nobody is asked unless
    what it reads is wrong.

    :raises BenchProblem: it still follows the CV after several tries.
    """
    limit = acquisition.product.limits.rail
    if limit is None:
        return
    role = acquisition.bench.file.meter
    problem = ""
    for attempt in range(TRIES):
        if acquisition.bench.cv_meter is None or attempt:
            operator.connect_meter(MeterPlace.RAIL)
        acquisition.meter_on_rail = True
        acquisition.bench.meter.configure_dc(role.range_for(limit.nominal_v).range_v, role.integration_cycles)
        read, full = [], acquisition.product.range.full
        for cv_v in (full.low_v, full.high_v):
            acquisition.hold(cv_v)
            read.append(acquisition.bench.meter.read_voltage())
        if abs(read[1] - read[0]) >= FOLLOWS_SHARE * (full.high_v - full.low_v):
            operator.tell(
                f"The meter follows the CV ({read[0]:.3f} V, {read[1]:.3f} V): its lead is still on the CV jack."
            )
            problem = "The meter still follows the CV: put its lead on the reference rail, then scan the unit again."
            continue
        if abs(read[1] - limit.nominal_v) > RAIL_PLAUSIBLE_SHARE * limit.nominal_v:
            problem = (
                f"The meter reads {read[1]:.3f} V where a rail of {limit.nominal_v:g} V should be: is its lead on the "
                "rail? If lead and power are sure, the rail is dead."
            )
            if operator.output_is_connected(problem):
                return
            continue
        acquisition.rail_v = read[1]
        return
    raise BenchProblem(problem)
