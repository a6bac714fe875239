"""A DC voltmeter."""

from __future__ import annotations

from functools import partial

from drivers.dialect import MeterDialect, joined
from drivers.errors import AnswerLate, InstrumentError, ReplyError
from drivers.instrument import Instrument
from drivers.repeating import again
from drivers.scpi import format_number, parse_number, parse_numbers
from drivers.session import Session

_volts = partial(parse_number, unit="V")
_list_of_volts = partial(parse_numbers, unit="V")

# common practice: the slower of the two mains frequencies, so that the time allowed is never too short
_LONGEST_CYCLE_S = 1 / 50
# an auto-zero measures the zero as well, and an automatic range may need three tries
_READINGS_A_READING = 6


class Meter(Instrument):
    """A meter that reads DC volts. Configure it before reading.

    Where another role has the same instrument, function and settings are sent again whenever that one had it in
    between, which costs one message.

    :param session: open link to the instrument; closed together with the meter.
    :param dialect: how the instrument spells it.
    :param mains_hz: frequency of the power line, for an instrument that takes its integration time in seconds.
    """

    def __init__(self, session: Session, dialect: MeterDialect | None = None, mains_hz: float = 50.0) -> None:
        super().__init__(session)
        self._mains_hz = mains_hz
        self._dialect = dialect if dialect is not None else MeterDialect()
        session.selects_by(self._dialect.select)
        self._integration_cycles = 1.0
        self._samples = 0
        self._configuration = ""
        self._stale = False
        self._asked_for_v: float | None = None
        self._ranges_seen: dict[float, float | None] = {}

    def configure_dc(self, range_v: float | None, integration_cycles: float) -> None:
        """Choose DC volts, range and integration time, in one message.

        :param range_v: largest voltage expected, V; the instrument chooses by itself when ``None``.
        :param integration_cycles: integration time in power-line cycles, above 0.
        :raises ValueError: the integration time is not above 0.
        :raises InstrumentError: the meter refused it.
        """
        if not integration_cycles > 0:
            raise ValueError(
                f"an integration time of {integration_cycles:g} power-line cycles is none: give more than 0"
            )
        dialect = self._dialect
        chosen_range = (
            dialect.automatic_range if range_v is None else dialect.fixed_range.format(range=format_number(range_v))
        )
        integration = dialect.integration.format(
            cycles=format_number(integration_cycles), seconds=format_number(integration_cycles / self._mains_hz)
        )
        message = joined(dialect.function, chosen_range, integration, dialect.auto_zero, dialect.trigger)
        self.session.claim()
        self._configuration, self._integration_cycles = message, integration_cycles
        self._send(message)
        self._asked_for_v = range_v

    def range_in_use(self) -> float | None:
        """Range on which the meter stands after a fixed one was asked for, V; None where it cannot say.

        SCPI-1999, volume 1, 6.2.3: what can be set can be asked for. Each range is asked for once.

        :raises LinkLost: the link is gone.
        """
        header, separator, _ = self._dialect.fixed_range.partition(" {range}")
        if self._asked_for_v is None or not separator:
            return None
        if self._asked_for_v not in self._ranges_seen:
            self._ranges_seen[self._asked_for_v] = self._range_said(f"{header}?")
        return self._ranges_seen[self._asked_for_v]

    def _range_said(self, query: str) -> float | None:
        try:
            return self.session.value(query, _volts)
        except (InstrumentError, ReplyError, AnswerLate):
            return None

    def read_voltage(self) -> float:
        """Trigger and return one reading, V.

        :raises Overload, NotANumber, Unreadable: the reply is no voltage.
        :raises InstrumentError, LinkError: it was refused, or the link failed.
        """
        self._take_function()
        self._set_samples(1)
        query, timeout_s = self._dialect.read, self._time_for(1)
        return again(self.session, lambda: self.session.value(query, _volts, timeout_s=timeout_s))

    def read_voltages(self, count: int) -> tuple[float, ...]:
        """Trigger once and return ``count`` readings, V, in order.

        :raises ValueError: ``count`` is below 1.
        :raises ReplyError: a reading is no voltage, or their number is another.
        """
        if count < 1:
            raise ValueError(f"{count} readings cannot be taken: ask for 1 or more")
        if not self._dialect.samples:
            return tuple(self.read_voltage() for _ in range(count))
        self._take_function()
        self._set_samples(count)
        query, timeout_s = self._dialect.read, self._time_for(count)
        return again(self.session, lambda: self.session.values(query, _list_of_volts, count, timeout_s=timeout_s))

    @property
    def dialect(self) -> MeterDialect:
        """How the instrument spells it."""
        return self._dialect

    def _take_function(self) -> None:
        """Have the instrument measure volts as configured, whatever another role made of it meanwhile."""
        if self.session.claim() or self._stale:
            self._send(self._configuration)

    def _send(self, message: str) -> None:
        self._stale, self._samples = True, 0
        if message:
            again(self.session, lambda: self.session.command(message))
        self._stale = False

    def _set_samples(self, count: int) -> None:
        if count != self._samples and self._dialect.samples:
            message = self._dialect.samples.format(count=count)
            again(self.session, lambda: self.session.command(message))
            self._samples = count

    def _time_for(self, count: int) -> float:
        return self.session.timeout_s + count * _READINGS_A_READING * _LONGEST_CYCLE_S * self._integration_cycles
