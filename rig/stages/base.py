"""Base pitch: exactly right last, watched in the middle of the musical range where nothing bends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.product import TrimKind
from rig.stages.tracking import Tracking, adjust

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.operators.port import Operator
    from rig.records import Recorder


def adjust_base(acquisition: Acquisition, operator: Operator, recorder: Recorder, state: Tracking) -> None:
    """Move the base trim while the plan asks for it."""
    adjust(acquisition, operator, recorder, state, (TrimKind.BASE,))
