"""Causes as the record keeps them, in sentences: which fault each names, and in which part of the unit it is."""

from __future__ import annotations

import re
from dataclasses import dataclass

from rig.diagnosis import Fault

_SENTENCES: tuple[tuple[Fault, str, str], ...] = (
    (Fault.DEAD_OUTPUT, r"No output at any CV", "output"),
    (Fault.DEAD_CV, r"Pitch moved .+ where .+ were due", "CV input"),
    (Fault.SLOW_CV, r"Pitch does not settle within", "CV input"),
    (Fault.OUT_OF_TRAVEL, r"(?P<where>\S.*?) (?:is out of travel|moves nothing):", ""),
    (Fault.LEFT_ALONE, r"(?P<where>\S.*?) was left alone:", ""),
    (Fault.OCTAVE_DIVIDER, r"Octave position (?P<where>.+?) is .+ cents off", ""),
    (Fault.DEAD_RAIL, r"The reference rail stands at", "rail"),
    (Fault.DEAD_RAIL, r"The octave switch changes nothing", "rail"),
    (Fault.SLOW_WARM_UP, r"Still drifting", "temperature"),
    (Fault.UNSTEADY, r"Never steady enough", "noise"),
    (Fault.LEAKAGE, r"Leakage lifts the lowest note", "converter"),
    (Fault.NOT_THIS_KIND, r"The tracking is not that of an oscillator of this kind", "tracking"),
    (Fault.KNOB_RANGE, r"(?P<where>Knob range) is outside its limits", ""),
    (Fault.UNSTEADY, r"(?P<where>Drift when warm, .+?) is outside its limits", ""),
    (Fault.OTHER, r"(?P<where>\S.*?) is outside its limits", ""),
)
SPECIAL = frozenset(Fault) - {Fault.OTHER, Fault.KNOB_RANGE, Fault.UNSTEADY}
"""Faults with a part of the unit to blame; the others say no more than that a limit was missed."""
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class NamedCause:
    """A cause that sentences have in common, whatever numbers they give. ``fault`` is None for one not known here."""

    fault: Fault | None
    where: str

    @property
    def label(self) -> str:
        """For tables."""
        return self.where if self.fault is None else f"{self.fault.value}: {self.where}"

    @property
    def special(self) -> bool:
        """Whether a part of the unit is to blame."""
        return self.fault is None or self.fault in SPECIAL


def named_cause(sentence: str) -> NamedCause:
    """The cause that a recorded sentence names; of an unknown one its own words, without their numbers."""
    for fault, pattern, where in _SENTENCES:
        found = re.match(rf"(?:(?P<oscillator>[^:.]{{1,40}}): )?{pattern}", sentence)
        if found is not None:
            place = where or found["where"]
            oscillator = found["oscillator"] or ""
            return NamedCause(fault, f"{oscillator}: {place}" if oscillator else place)
    return NamedCause(None, _NUMBER.sub("…", sentence.partition(":")[0]))
