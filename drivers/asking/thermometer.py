"""How an instrument spells what tells a temperature: a thermometer's reading, or that of a probe."""

from __future__ import annotations

from typing import Literal

from drivers.asking.asker import Asker
from drivers.asking.findings import RoleFindings
from drivers.asking.readings import find_select, places
from drivers.dialect import ThermometerDialect, joined
from drivers.session import Session
from drivers.thermometer import number_in

ProbeKind = Literal["thermometer", "platinum", "voltage"]
UNITS: dict[ProbeKind, str] = {"thermometer": "CEL", "platinum": "OHM", "voltage": "V"}
_READINGS: dict[ProbeKind, tuple[str, ...]] = {
    "thermometer": ("MEAS:TEMP", "MEAS:SCAL:TEMP", "READ:TEMP", "SENS:TEMP", "TEMP", "FETC:TEMP", "MEAS", "READ"),
    "platinum": ("MEAS:RES", "MEAS:SCAL:RES", "MEAS:FRES"),
    "voltage": ("MEAS:VOLT:DC", "MEAS:VOLT", "MEAS"),
}
# common practice: a probe's range is looked for first
_TIMES_LONGER = 8.0


def ask_thermometer(
    session: Session, kind: ProbeKind = "thermometer", channel: int | None = None, query: str = ""
) -> RoleFindings[ThermometerDialect]:
    """Find the question that is answered with what tells the temperature.

    :param session: open, in a dialect in which wrong spellings do no harm.
    :param channel: the input that is wired, where there are several.
    :param query: the only question to try, where it is known.
    :raises LinkLost: the link is gone.
    """
    asker = Asker(session)
    select = find_select(asker, channel)
    ways = places(None if select else channel)
    queries = [query] if query else [way.query(header) for way in ways for header in _READINGS[kind]]
    timeout_s = _TIMES_LONGER * session.timeout_s
    found = asker.find_query("temperature", queries, number_in(UNITS[kind]), timeout_s=timeout_s)
    read = joined(select, found.template)
    why = f" (it says: {found.said})" if found.said else ""
    return RoleFindings(
        role="thermometer",
        dialect=ThermometerDialect(read if found.spelling else ""),
        capabilities=(found.capability(),),
        missing=() if found.spelling else (f"It gives no reading of a {kind}{why}.",),
        losses=(),
    )
