"""A voltage source that never leaves its limits and always comes back to 0 V with its output off."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol, Self, TypeVar

from drivers.dialect import SourceDialect, joined
from drivers.errors import (
    DriverError,
    InstrumentError,
    LinkError,
    NotConfined,
    OutsideLimits,
    ProtectionTripped,
    ReadBackDiffers,
    SourceNotSafe,
)
from drivers.repeating import again, reopened
from drivers.scpi import format_number, parse_boolean, parse_number, split_units
from drivers.session import Session

T = TypeVar("T")

_volts = partial(parse_number, unit="V")
_amperes = partial(parse_number, unit="A")

# a setting that is read back, 0 V among them, may be so far off; common practice: no source sets coarser than this
_READ_BACK_ABSOLUTE_V = 0.01
_READ_BACK_RELATIVE = 1e-3
# a limit may be rounded by the instrument, but not moved
_LIMIT_RELATIVE = 0.05
_ATTEMPTS_TO_MAKE_SAFE = 4
SWITCHING_S = 1.0
"""Common practice: an output is on, or off, within a second of being told; a relay and a soft start take most of it."""
LOOKS = 4
# common practice: protection stands a tenth above what is ever put out, or its own errors would trip it
_PROTECTION_SHARE = 1.1
_PROTECTION_LEAST_V = 0.5


def _voltage_and_flags(answer: str) -> tuple[float, tuple[bool, ...]]:
    voltage, *flags = split_units(answer)
    return _volts(voltage), tuple(parse_boolean(flag) for flag in flags)


@dataclass(frozen=True, slots=True)
class VoltageLimits:
    """The lowest and the highest voltage that may ever be programmed, V; both are allowed, and 0 V lies
    between.

    :raises ValueError: the limits are not finite, not in order, or exclude 0 V.
    """

    low_v: float
    high_v: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low_v) and math.isfinite(self.high_v) and self.low_v <= 0 <= self.high_v):
            raise ValueError(
                f"limits of {self.low_v:g} V to {self.high_v:g} V cannot keep a source safe: give two finite "
                "voltages, the low one first, with 0 V between them"
            )

    def require(self, voltage_v: float) -> None:
        """Let a voltage pass that lies inside.

        :raises OutsideLimits: it lies outside, or is not a finite number.
        """
        if not self.low_v <= voltage_v <= self.high_v:
            raise OutsideLimits(
                f"{voltage_v:g} V is outside the limits of {self.low_v:g} V to {self.high_v:g} V; nothing "
                "was sent: choose a voltage inside, or change the limits in the product file"
            )


class Promise(Protocol):
    """A promise to leave a source safe, which outlives a program that is killed."""

    def give(self) -> None:
        """Give it, before the source may put anything out; whatever this raises keeps the source as it is."""

    def keep(self) -> None:
        """It has been kept: the source is known to be at 0 V with its output off."""


class Source:
    """The CV source: programmed in V, made safe on opening, leaving and failing.

    Use it in a ``with`` block. Constructing it already makes the instrument safe.

    :param session: open link to the instrument; closed together with the source.
    :param limits: what may ever be programmed.
    :param dialect: how the instrument spells it.
    :param promise: given before the output is connected or leaves 0 V, kept when the source is safe.
    :raises SourceNotSafe: it could not be brought to 0 V with its output off.
    """

    def __init__(
        self,
        session: Session,
        limits: VoltageLimits,
        dialect: SourceDialect | None = None,
        promise: Promise | None = None,
    ) -> None:
        self.session = session
        self._promise = promise
        self.limits = limits
        self._dialect = dialect if dialect is not None else SourceDialect()
        self._closed = False
        self._confined = False
        self._on = False
        with contextlib.ExitStack() as unless_safe:
            unless_safe.callback(session.close)
            self.make_safe()
            unless_safe.pop_all()

    def set_voltage(self, voltage_v: float) -> None:
        """Program the control voltage.

        :param voltage_v: wanted output, V; must lie within ``limits``.
        :raises OutsideLimits: before anything is sent; the output keeps its last value.
        :raises InstrumentError: the source refused it (its own error text is quoted).
        :raises ReadBackDiffers: it has no way to refuse, and did not take it.
        """
        try:
            self.limits.require(voltage_v)
        except OutsideLimits as error:
            raise OutsideLimits(f"{self.session.name}: {error}") from error
        if voltage_v and self._promise is not None:
            self._promise.give()
        self._set(self._dialect.set_voltage.format(voltage=format_number(voltage_v)))
        if not self.session.reports_errors and self._dialect.programmed:
            self._require_programmed(voltage_v)

    def confine(self, current_a: float | None = None) -> None:
        """Set and confirm everything that bounds the output and that the instrument has, at 0 V and off: range, current
        limit, voltage protection. A protection that tripped earlier is let go first.

        :param current_a: what the output may deliver at most; the instrument's own setting stays when ``None``.
        :raises InstrumentError: the source refused one of them.
        :raises ReadBackDiffers: it did not take one of them.
        :raises NotConfined: a current limit is wanted, and how this source spells one is not known.
        """
        self._confined = False
        if self._on:
            self.make_safe()
        if self._dialect.clear_protection and self.tripped():
            self._set(self._dialect.clear_protection)
            self.make_safe()
        self.choose_range()
        if current_a is not None:
            self.limit_current(current_a)
        self.protect()
        self._confined = True

    def choose_range(self) -> None:
        """Choose the range that holds both limits, and confirm it; nothing is sent to a source without ranges.

        :raises InstrumentError: the source refused it.
        :raises ReadBackDiffers: it stands in a smaller one.
        """
        template, query = self._dialect.range, self._dialect.range_query
        if template:
            self._set(template.format(range=format_number(self._widest_v)))
        if template and query and self._told(query, _volts) < (1.0 - _LIMIT_RELATIVE) * self._widest_v:
            raise ReadBackDiffers(
                f"{self.session.name} stands in a range that does not hold {self._widest_v:g} V: choose a source that "
                "reaches the product's absolute limits"
            )

    def limit_current(self, current_a: float) -> None:
        """Set the current that the output never exceeds, and confirm it.

        :raises InstrumentError: the source refused it.
        :raises ReadBackDiffers: it did not take it.
        :raises NotConfined: how this source spells it is not known.
        """
        template, query = self._dialect.current_limit, self._dialect.current_limit_query
        if not template:
            raise NotConfined(
                f"{self.session.name} is to deliver {current_a:g} A at most, and no way to limit its current is known: "
                "ask it with rig bench check where it was never asked, else take current_limit_a out of the bench "
                "file, or use another source"
            )
        self._set(template.format(current=format_number(current_a)))
        if query:
            self._require_limit("current limit", current_a, self._told(query, _amperes), "A")

    def protect(self) -> None:
        """Set the voltage at which the output goes off by itself, just beyond the limits, and confirm it; nothing is
        sent to a source without.

        :raises InstrumentError: the source refused it.
        :raises ReadBackDiffers: it did not take it.
        """
        template, query = self._dialect.voltage_protection, self._dialect.voltage_protection_query
        protection_v = round(max(_PROTECTION_SHARE * self._widest_v, self._widest_v + _PROTECTION_LEAST_V), 3)
        if template:
            self._set(template.format(voltage=format_number(protection_v)))
        if template and query:
            self._require_limit("voltage protection", protection_v, self._told(query, _volts), "V")

    def tripped(self) -> str:
        """Which protection switched the output off, as far as the instrument says so; empty when none did."""
        for what, query in self._trips():
            if self._told(query, parse_boolean):
                return what
        return ""

    def require_untripped(self) -> None:
        """Let a source pass whose output is on as it was told.

        :raises ProtectionTripped: it switched it off by itself.
        """
        what = self.tripped()
        if what or (self._on and self._dialect.output_state and not self.is_on()):
            raise self._trip(what)

    def output_on(self) -> None:
        """Connect the output.

        :raises NotConfined: it has a range or a voltage protection, which were not set and confirmed; nothing is sent.
        :raises InstrumentError: the source refused it.
        :raises ReadBackDiffers: it has no way to refuse, and says that it is off.
        """
        if not self._confined and (self._dialect.range or self._dialect.voltage_protection):
            raise NotConfined(
                f"{self.session.name} stays off: its range and voltage protection have to be set and confirmed first"
            )
        if self._promise is not None:
            self._promise.give()
        if self._dialect.on:
            self._switch(self._dialect.on, on=True)
        self._on = True

    def output_off(self) -> None:
        """Disconnect the output; the programmed voltage stays.

        :raises InstrumentError: the source refused it.
        :raises ReadBackDiffers: it has no way to refuse, and says that it is on.
        """
        self._on = False
        if self._dialect.off:
            self._switch(self._dialect.off, on=False)

    def is_on(self) -> bool:
        """Whether the instrument says that its output is connected; false for one without a switch."""
        if not self._dialect.output_state:
            return False
        return self._told(self._dialect.output_state, parse_boolean)

    def programmed(self) -> float:
        """Voltage that the instrument says it was told to put out, V."""
        return self._told(self._dialect.programmed, _volts)

    def read_back(self) -> float:
        """Voltage that the instrument measures at its own output, V.

        Whether a protection has tripped is asked in the same message, where the instrument says so.

        :raises Overload, NotANumber, Unreadable: the reply is no voltage.
        :raises ProtectionTripped: its output went off by itself.
        """
        trips = self._trips() if self.session.joins else ()
        if not trips:
            return self._told(self._dialect.read_back, _volts)
        questions = joined(self._dialect.read_back, *(query for _, query in trips))
        voltage_v, tripped = self._told(questions, _voltage_and_flags)
        for (what, _), has in zip(trips, tripped, strict=True):
            if has:
                raise self._trip(what)
        return voltage_v

    def check(self, voltage_v: float, tolerance_v: float) -> float:
        """Read back and compare with what the output should be.

        :return: what was read back, V.
        :raises ReadBackDiffers: it differs by more than ``tolerance_v``.
        """
        measured_v = self.read_back()
        if not abs(measured_v - voltage_v) <= tolerance_v:
            self.require_untripped()
            raise ReadBackDiffers(
                f"{self.session.name} puts out {measured_v:.4f} V instead of {voltage_v:.4f} V "
                f"(allowed difference {tolerance_v:.4f} V): check its output lead for a short or an "
                "overload, and its range"
            )
        return measured_v

    def make_safe(self) -> None:
        """Bring the source to 0 V with its output off, and confirm both; several times, and over a new link where the
        old one fails.

        :raises SourceNotSafe: it could not be confirmed; the message says what to do by hand.
        """
        for attempts_left in reversed(range(_ATTEMPTS_TO_MAKE_SAFE)):
            try:
                self._zero_and_off()
            except LinkError as error:
                self._reopen_or_give_up(error, attempts_left)
            except DriverError as error:
                # switching it off is harmless however often, and an answer that went astray proves nothing
                if not attempts_left:
                    self._raise_not_safe(error)
                self.session.clock.sleep(SWITCHING_S / LOOKS)
            else:
                if self._promise is not None:
                    self._promise.keep()
                return

    @property
    def dialect(self) -> SourceDialect:
        """How the instrument spells it."""
        return self._dialect

    def close(self) -> None:
        """Make the source safe and close its link; a second time does nothing.

        :raises SourceNotSafe: see :meth:`make_safe`; the link is closed all the same.
        """
        if not self._closed:
            self._closed = True
            try:
                self.make_safe()
            finally:
                self.session.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def _set(self, message: str) -> None:
        """Send a setting, which means the same when it is sent twice."""
        again(self.session, lambda: self.session.command(message))

    def _told(self, query: str, parse: Callable[[str], T]) -> T:
        """Ask something, twice where the first answer went astray."""
        return again(self.session, lambda: self.session.value(query, parse))

    def _reopen_or_give_up(self, error: LinkError, attempts_left: int) -> None:
        if not attempts_left:
            self._raise_not_safe(error)
        try:
            reopened(self.session)
        except DriverError as refused:
            self._raise_not_safe(refused)

    @property
    def _widest_v(self) -> float:
        return max(abs(self.limits.low_v), abs(self.limits.high_v))

    def _trips(self) -> tuple[tuple[str, str], ...]:
        """Each protection that the instrument tells about, and the question for it."""
        dialect = self._dialect
        asked = (
            ("voltage protection", dialect.voltage_protection_tripped),
            ("current protection", dialect.current_protection_tripped),
        )
        return tuple((what, query) for what, query in asked if query)

    def _trip(self, what: str) -> ProtectionTripped:
        which = f"tripped its {what}" if what else "switched its output off by itself"
        return ProtectionTripped(
            f"{self.session.name} has {which}: look for a short or a wrong lead at the CV jack, and whether anything "
            "feeds back into it, then start again"
        )

    def _zero_and_off(self) -> None:
        self._on = False
        zero = self._dialect.set_voltage.format(voltage="0")
        said = ""
        try:
            self.session.command(joined(self._dialect.off, zero))
        except InstrumentError as error:
            # The complaint may be about something else: what counts is where the source stands now.
            said = f"; {error}"
        programmed_v = self.session.value(self._dialect.programmed, _volts)
        state_query = self._dialect.output_state
        on = self.session.value(state_query, parse_boolean) if state_query else False
        if on or not abs(programmed_v) <= _READ_BACK_ABSOLUTE_V:
            state = "on" if on else "off"
            raise ReadBackDiffers(
                f"it was told to go to 0 V and off, and says that it is {state} at {programmed_v:g} V{said}"
            )

    def _switch(self, command: str, *, on: bool) -> None:
        self._set(command)
        if not self.session.reports_errors and self._dialect.output_state and not self._stands(on=on):
            raise ReadBackDiffers(
                f"{self.session.name} was told {command!r} and says that its output is {'off' if on else 'on'}: "
                "ask it again with rig bench check"
            )

    def _stands(self, *, on: bool) -> bool:
        """Whether the output is connected, or is not, within the time that it may need."""
        for _ in range(LOOKS):
            if self.is_on() is on:
                return True
            self.session.clock.sleep(SWITCHING_S / LOOKS)
        return self.is_on() is on

    def _require_programmed(self, voltage_v: float) -> None:
        programmed_v = self.programmed()
        if not abs(programmed_v - voltage_v) <= _READ_BACK_ABSOLUTE_V + _READ_BACK_RELATIVE * abs(voltage_v):
            raise ReadBackDiffers(
                f"{self.session.name} was told {voltage_v:.4f} V and says that it stands at {programmed_v:.4f} V: "
                "ask it again with rig bench check"
            )

    def _require_limit(self, what: str, wanted: float, found: float, unit: str) -> None:
        if not abs(found - wanted) <= _LIMIT_RELATIVE * abs(wanted):
            raise ReadBackDiffers(
                f"{self.session.name} was told a {what} of {wanted:g} {unit} and says that it is {found:g} {unit}: "
                "choose one that it can set, in the bench file"
            )

    def _raise_not_safe(self, error: DriverError) -> None:
        raise SourceNotSafe(
            f"{self.session.name} could not be brought to 0 V with its output off: switch its output off by "
            f"hand now, before you touch the unit ({error})"
        ) from error
