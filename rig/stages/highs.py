"""Highs: planned from the same sweep as scale, watched at the top of the range."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.product import TrimKind
from rig.stages.tracking import Tracking, adjust

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.operators.port import Operator
    from rig.records import Recorder


def adjust_highs(acquisition: Acquisition, operator: Operator, recorder: Recorder, state: Tracking) -> None:
    """Move the highs trim while the plan asks for it."""
    adjust(acquisition, operator, recorder, state, (TrimKind.HIGHS,))
