"""A frequency counter: gate open, count, gate closed."""

from __future__ import annotations

from functools import partial
from typing import Literal

from drivers.dialect import CounterDialect, joined
from drivers.errors import DriverError, NoSignal, NotANumber
from drivers.instrument import Instrument
from drivers.repeating import again, ready_again
from drivers.scpi import format_number, parse_number
from drivers.session import Session

_hertz = partial(parse_number, unit="HZ")

# a reciprocal counter waits for an edge on both sides of the gate, and sets up between gates
_GATES_A_READING = 1.5


class Counter(Instrument):
    """A counter that reads hertz. Configure it and set a gate before reading.

    Where another role has the same instrument, function, input and gate are sent again whenever that one had it in
    between, which costs one message; a gate that was under way then is opened anew.

    :param session: open link to the instrument; closed together with the counter.
    :param dialect: how the instrument spells it.
    """

    def __init__(self, session: Session, dialect: CounterDialect | None = None) -> None:
        super().__init__(session)
        self._dialect = dialect if dialect is not None else CounterDialect()
        session.selects_by(self._dialect.select)
        self._gate_s: float | None = None
        self._one_a_trigger = False
        self._configuration = ""
        self._stale = False
        self._start_lost = False

    def configure(
        self,
        *,
        coupling: Literal["AC", "DC"] | None = None,
        level_v: float | None = None,
        impedance_ohm: float | None = None,
    ) -> None:
        """Choose frequency and, as far as given, how the input takes the signal, in one message.

        The gate has to be set again after it.

        :raises InstrumentError: the counter refused it.
        """
        dialect = self._dialect
        parts = [dialect.function]
        if coupling is not None:
            parts.append(dialect.coupling.format(coupling=coupling))
        if impedance_ohm is not None:
            parts.append(dialect.impedance.format(impedance=format_number(impedance_ohm)))
        if level_v is not None:
            parts.append(dialect.level.format(level=format_number(level_v)))
        self._gate_s = None
        self._configuration = joined(*parts)
        self.session.claim()
        again(self.session, lambda: self._send(self._configuration))

    def set_gate(self, gate_s: float) -> None:
        """Set how long the gate stays open, s; nothing is sent when it already does.

        :raises ValueError: it is not above 0.
        :raises InstrumentError: the counter refused it.
        """
        if self._is_stale() or gate_s != self._gate_s:
            again(self.session, lambda: self._send_with_gate(gate_s, ""))

    def start(self, gate_s: float | None = None) -> None:
        """Open the gate and return at once; :meth:`fetch` has the result. One message, also with a new gate.

        :param gate_s: how long the gate stays open, s; as set before when ``None``.
        :raises ValueError: it is not above 0.
        :raises InstrumentError: the counter refused it.
        """
        wanted_s = self._gate_s if gate_s is None else gate_s
        self._start_lost = False
        try:
            self._start(wanted_s)
        except DriverError as error:
            # whether its gate has opened nobody knows: it is not opened twice, a reading is taken instead
            ready_again(self.session, error)
            self._start_lost = True
            if wanted_s is not None:
                self.set_gate(wanted_s)

    def fetch(self) -> float:
        """Wait for the gate that :meth:`start` opened and return its result, Hz. One message.

        A counter that cannot start and fetch opens its gate only now.

        :raises NoSignal: there was nothing to count.
        :raises Overload, Unreadable: the reply is no frequency.
        :raises InstrumentError, LinkError: it was refused, or the link failed.
        """
        if not (self._is_stale() or self._start_lost or not self._dialect.start):
            try:
                return self._one(self._dialect.fetch)
            except DriverError as error:
                ready_again(self.session, error)
        return self.read_frequency()

    def read_frequency(self) -> float:
        """Open the gate, wait for it and return the result, Hz; raises as :meth:`fetch` does."""
        self._take_function()
        self._take_one_a_trigger()
        return again(self.session, lambda: self._one(self._dialect.read))

    @property
    def dialect(self) -> CounterDialect:
        """How the instrument spells it."""
        return self._dialect

    def _start(self, wanted_s: float | None) -> None:
        stale = self._is_stale()
        if wanted_s is not None and (stale or wanted_s != self._gate_s):
            self._send_with_gate(wanted_s, self._dialect.start)
        elif stale:
            self._send(joined(self._configuration, self._dialect.start))
        elif self._dialect.start:
            self.session.command(self._dialect.start)

    def _is_stale(self) -> bool:
        """Whether the instrument may stand otherwise than was set: another role had it, or a setting failed."""
        self._stale = self.session.claim() or self._stale
        return self._stale

    def _take_function(self) -> None:
        """Have the instrument count as configured, whatever another role made of it meanwhile."""
        gate_s = self._gate_s
        if self._is_stale() and gate_s is not None:
            again(self.session, lambda: self._send_with_gate(gate_s, ""))
        elif self._stale:
            again(self.session, lambda: self._send(self._configuration))

    def _send_with_gate(self, gate_s: float, command: str) -> None:
        if not gate_s > 0:
            raise ValueError(f"a gate of {gate_s:g} s is none: give more than 0 s")
        gate = self._dialect.gate.format(gate=format_number(gate_s), resolution=format_number(1.0 / gate_s))
        if self._stale:
            self._send(joined(self._configuration, gate, command))
        else:
            self._stale = True
            self._command(joined(gate, command))
        self._gate_s = gate_s

    def _send(self, message: str) -> None:
        """Send a message that begins with the function, which resets how many readings come at once."""
        self._stale, self._one_a_trigger = True, False
        self._command(message)

    def _command(self, message: str) -> None:
        if message:
            self.session.command(message)
        self._stale = False

    def _one(self, query: str) -> float:
        try:
            return self.session.value(query, _hertz, timeout_s=self._time_allowed_s)
        except NotANumber as error:
            raise self._no_signal() from error

    def _no_signal(self) -> NoSignal:
        return NoSignal(
            f"{self.session.name} sees no signal: check the output lead, that the unit has power, and the trigger level"
        )

    def _take_one_a_trigger(self) -> None:
        """One reading a trigger, whatever the instrument was left at."""
        if not self._one_a_trigger and self._dialect.samples:
            message = self._dialect.samples.format(count=1)
            again(self.session, lambda: self.session.command(message))
            self._one_a_trigger = True

    @property
    def _time_allowed_s(self) -> float:
        return self.session.timeout_s + _GATES_A_READING * (self._gate_s or 0.0)
