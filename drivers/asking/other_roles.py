"""What else an instrument could do, by a few questions that change nothing that matters."""

from __future__ import annotations

from functools import partial

from drivers.asking.asker import Asker
from drivers.scpi import parse_number
from drivers.session import Session

_KEYS = {
    "meter": ("CONF:VOLT:DC", "CONF:VOLT", 'FUNC "VOLT:DC"', 'FUNC "VOLT"'),
    "counter": ("CONF:FREQ", 'FUNC "FREQ"', 'FUNC "FREQ 1"'),
}


def could_also_be(session: Session, role: str) -> tuple[str, ...]:
    """Return the other roles that are worth asking for; none for an instrument that reports no errors.

    :param session: open, in a dialect in which wrong spellings do no harm.
    :param role: the one that it has.
    :raises LinkLost: the link is gone.
    """
    if not session.reports_errors or role == "source":
        return ()
    asker = Asker(session)
    other = "counter" if role == "meter" else "meter"
    roles = [other] if asker.find_command("function", _KEYS[other]).spelling is not None else []
    level = asker.find_query("level", ("SOUR:VOLT?", "SOUR1:VOLT?"), partial(parse_number, unit="V"))
    switch = asker.find_query("switch", ("OUTP?", "OUTP1?"), str)
    return (*roles, "source") if level.spelling and switch.spelling else tuple(roles)
