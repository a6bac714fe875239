"""A thermometer, or an instrument that reads a temperature probe."""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.dialect import ThermometerDialect
from drivers.instrument import Instrument
from drivers.scpi import parse_number
from drivers.session import Session

_CELSIUS = re.compile(r"[ \t]*(?:DEG[ \t]*C|CEL|C)\s*$", re.IGNORECASE)
# common practice: a probe is read over several power-line cycles, on a range that has to be found first
_LONGEST_READING_S = 3.0


def number_in(unit: str) -> Callable[[str], float]:
    """Reader of numbers behind which ``unit`` may stand; degrees Celsius (``CEL``) go by C and DEG C as well."""

    def number(text: str) -> float:
        return parse_number(_CELSIUS.sub("", text) if unit == "CEL" else text, unit)

    return number


class Thermometer(Instrument):
    """What tells a temperature, as a number in degrees Celsius or in whatever a probe gives: ohm, volts.

    Where a meter in another role reads the probe, that role sends its own settings again when it reads next.

    :param session: open link to the instrument; closed together with the thermometer.
    :param dialect: how the instrument spells it.
    """

    def __init__(self, session: Session, dialect: ThermometerDialect | None = None) -> None:
        super().__init__(session)
        self._dialect = dialect if dialect is not None else ThermometerDialect()

    def read(self, unit: str) -> float:
        """Read once.

        :param unit: ``CEL``, ``OHM`` or ``V``: what may stand behind the number.
        :raises Overload, NotANumber, Unreadable: the reply is no number in that unit.
        :raises InstrumentError, LinkError: it was refused, or the link failed.
        """
        self.session.claim()
        allowed_s = self.session.timeout_s + _LONGEST_READING_S
        return self.session.value(self._dialect.read, number_in(unit), timeout_s=allowed_s)

    @property
    def dialect(self) -> ThermometerDialect:
        """How the instrument spells it."""
        return self._dialect
