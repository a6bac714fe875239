"""Scale: turn it to the pitch, at the CV farthest from its pivot, at which the whole unit will be right."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.product import SCALE_KINDS
from rig.stages.tracking import Tracking, adjust

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.operators.port import Operator
    from rig.records import Recorder


def adjust_scale(acquisition: Acquisition, operator: Operator, recorder: Recorder, state: Tracking) -> None:
    """Move the scale trim (or the gain of a hertz-per-volt unit) while the plan asks for it."""
    adjust(acquisition, operator, recorder, state, SCALE_KINDS)
