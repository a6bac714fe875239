"""How an instrument spells what a voltage source has to do, found without energising anything.

The order is what keeps the unit safe: the output goes off, and is known to be off, before any level is set; the
level goes to 0 V, and is known to be there, before anything else; whatever limits the output is set and confirmed
before it is switched on, which happens at 0 V only; and it is off again at the end, however that comes.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from drivers.asking.addressing import Addressing, Way, ways_to
from drivers.asking.asker import Asker, Setting, Spelling, Trial
from drivers.asking.findings import Capability, Evidence, RoleFindings
from drivers.asking.values import number, switch, word
from drivers.dialect import SourceDialect
from drivers.errors import AnswerLate, InstrumentError, ReplyError
from drivers.scpi import parse_boolean, parse_number
from drivers.session import Session
from drivers.source import LOOKS, SWITCHING_S

TRIED_V = 0.25
"""Programmed while the output is off, to see that the level follows."""
TRIED_WITHOUT_SWITCH_V = 0.01
"""The same where there is no switch: as little as a source can set."""
_LEVELS = ("SOUR#:VOLT", "VOLT#", "SOUR#:VOLT:LEV", "SOUR#:VOLT:LEV:IMM:AMPL", ":VOLT:IMM:AMPL")
_SWITCHES = ("OUTP#", "OUTP#:STAT", "SOUR#:OUTP")
_WORDS = (("OFF", "ON"), ("0", "1"))
_READ_BACKS = ("MEAS#:VOLT", "MEAS#:VOLT:DC", "MEAS#:SCAL:VOLT:DC", "MEAS#")
_RANGES = ("SOUR#:VOLT:RANG", "VOLT#:RANG")
_CURRENT_LIMITS = ("SOUR#:CURR", "CURR#", "SOUR#:CURR:LIM", "SOUR#:CURR:PROT", "CURR#:PROT", ":CURR:IMM:AMPL")
_PROTECTIONS = ("SOUR#:VOLT:PROT", "VOLT#:PROT", "SOUR#:VOLT:PROT:LEV", "SOUR#:VOLT:LIM")
_TRIPS = ("SOUR#:VOLT:PROT:TRIP", "VOLT#:PROT:TRIP", "OUTP#:PROT:TRIP")
_CURRENT_TRIPS = ("SOUR#:CURR:PROT:TRIP", "CURR#:PROT:TRIP")
_CLEARS = ("SOUR#:VOLT:PROT:CLE", "VOLT#:PROT:CLE", "OUTP#:PROT:CLE")

_volts = partial(parse_number, unit="V")
_amperes = partial(parse_number, unit="A")


def ask_source(
    session: Session,
    channel: int | None = None,
    current_limit_a: float | None = None,
    tell_safe: Callable[[SourceDialect], None] = lambda _dialect: None,
) -> RoleFindings[SourceDialect]:
    """Find out how to drive a source, and leave it at 0 V with its output off.

    :param session: open, in a dialect in which wrong spellings do no harm.
    :param channel: the output that is wired, where there are several.
    :param current_limit_a: what the output may deliver at most; the instrument's own setting stays when ``None``.
    :param tell_safe: is told how the source is made safe as soon as that is known, and before its output goes on.
    :raises LinkLost: the link is gone.
    """
    return _SourceAsking(session, channel, current_limit_a, tell_safe).findings()


@dataclass(frozen=True, slots=True)
class _Trips:
    """How it is asked whether a protection has tripped, and how one that has is let go."""

    voltage: Trial
    current: Trial
    clear: Trial


class _SourceAsking:
    def __init__(
        self,
        session: Session,
        channel: int | None,
        current_limit_a: float | None,
        tell_safe: Callable[[SourceDialect], None],
    ) -> None:
        self._asker = Asker(session)
        self._session = session
        self._ways: Sequence[Addressing] = ways_to(channel)
        self._wanted = channel
        self._current_limit_a = current_limit_a
        self._tell_safe = tell_safe
        self._losses: list[str] = []
        self._missing: list[str] = []
        self._on = ""
        self._made_safe_by: list[str] = []

    def findings(self) -> RoleFindings[SourceDialect]:
        self._ways = [way for way in self._ways if self._selects(way)]
        with self._safe_at_the_end():
            off = self._switch_off()
            level = self._level(off)
            if level.spelling is not None and self._wanted is None:
                off, level = self._named_where_several(off, level)
            self._say_how_it_is_made_safe(level, off.template, off.query)
            read_back = self._asker.find_query("read-back", self._queries(_READ_BACKS), _volts)
            limits = self._limits()
            trips = self._trips()
            switched_on = self._switched_on(off, level, limits, trips)
        self._judge(off, level, read_back, limits)
        return RoleFindings(
            role="source",
            dialect=self._dialect(off, level, read_back, limits, trips),
            capabilities=(
                Capability("channel", str(self._ways[0]) if level.spelling else "", level.evidence),
                off.capability(),
                switched_on,
                level.capability(),
                *(limit.capability() for limit in limits),
                *(each.capability() for each in (trips.voltage, trips.current, trips.clear)),
                read_back.capability(),
            ),
            missing=tuple(self._missing),
            losses=() if self._missing else tuple(self._losses),
        )

    def _selects(self, way: Addressing) -> bool:
        """Whether a channel can be selected, where that is the way; the other ways show it with what they name."""
        if way.way is not Way.SELECT:
            return True
        header, _, named = way.select.partition(" ")
        spelling = Spelling(way.select, f"{header}?")
        return self._asker.find_setting("channel", "", [spelling], [word(named)]).spelling is not None

    def _switch_off(self) -> Trial:
        """Find out how the output goes off, in whichever way the channel is named; this alone is always safe."""
        trial = self._goes_off()
        if trial.spelling is None and trial.unmoved:
            self._session.clock.sleep(SWITCHING_S)
            trial = self._goes_off()
        return trial

    def _goes_off(self) -> Trial:
        for off, on in _WORDS:
            trial = Trial("output off")
            for way in self._ways:
                spellings = [way.spelling(header, off) for header in _SWITCHES if way.fits(header)]
                found = self._asker.find_setting("output off", "state", spellings, [switch(off, on=False)])
                trial.said, trial.unmoved = trial.said or found.said, trial.unmoved or found.unmoved
                if found.spelling is not None:
                    self._ways = [way, *(each for each in self._ways if each != way)]
                    self._on = found.template.replace(f" {off}", f" {on}")
                    self._made_safe_by.append(found.template)
                    return found
        return trial

    def _level(self, off: Trial) -> Trial:
        """Find out how the level is set: 0 V first, and then, while the output is off, another."""
        trial = Trial("level")
        for way in self._ways:
            spellings = [way.spelling(header, "{voltage}") for header in _LEVELS if way.fits(header)]
            trial = self._asker.find_setting("level", "voltage", spellings, [number(0.0, "V", 1e-3)])
            if trial.spelling is not None and self._follows(off, trial):
                self._ways = [way, *(each for each in self._ways if each != way)]
                return trial
        return Trial("level", said=trial.said, refusals=trial.refusals)

    def _follows(self, off: Trial, level: Trial) -> bool:
        """Whether the level follows what is sent, as far as that can be tried without energising anything."""
        if level.evidence is not Evidence.READ_BACK or (off.spelling is not None and not off.query):
            return self._session.reports_errors
        tried_v = TRIED_V if off.query else TRIED_WITHOUT_SWITCH_V
        spelling = Spelling(level.template, level.query)
        self._made_safe_by.append(level.template.format(voltage="0"))
        settings = [number(tried_v, "V", 0.2 * tried_v), number(0.0, "V", 1e-3)]
        followed = [self._asker.find_setting("level", "voltage", [spelling], [each]) for each in settings]
        level.said = level.said or next((each.said for each in followed if each.said), "")
        return all(each.evidence is Evidence.READ_BACK for each in followed)

    def _named_where_several(self, off: Trial, level: Trial) -> tuple[Trial, Trial]:
        """Name the first channel where the instrument has several and none was named so far."""
        if self._ways[0].way is not Way.NONE:
            self._say_several()
            return off, level
        second = [each for each in ways_to(2) if each.way in {Way.LIST, Way.SUFFIX}]
        queries = [each.query("SOUR#:VOLT") for each in second]
        several = self._asker.find_query("another channel", [*queries, "INST:NSEL?", "INST:SEL?"], str)
        if several.spelling is None:
            return off, level
        before, on = self._ways, self._on
        self._ways = [each for each in ways_to(1) if each.way is not Way.NONE and self._selects(each)]
        named_off, named_level = self._switch_off(), self._level(off)
        if named_level.spelling is None or (named_off.spelling is None) != (off.spelling is None):
            self._ways, self._on = before, on
            return off, level
        self._say_several()
        return named_off, named_level

    def _say_several(self) -> None:
        self._losses.append("It has several channels, and the first was taken: say which in source.channel.")

    def _limits(self) -> tuple[Trial, Trial, Trial]:
        """Set and confirm what limits the output: to what it is, or to the current that is wanted."""
        return (
            self._limit("range", "range", _RANGES, "V", None),
            self._limit("current limit", "current", _CURRENT_LIMITS, "A", self._current_limit_a),
            self._limit("voltage protection", "voltage", _PROTECTIONS, "V", None),
        )

    def _limit(self, name: str, argument: str, headers: Sequence[str], unit: str, wanted: float | None) -> Trial:
        trial = Trial(name)
        way = self._ways[0]
        for header in (each for each in headers if way.fits(each)):
            spelling = way.spelling(header, f"{{{argument}}}")
            standing = self._asker.value(spelling.query, partial(parse_number, unit=unit))
            if standing is None:
                continue
            trial = self._asker.find_setting(name, argument, [spelling], self._values(wanted, standing, unit))
            if trial.evidence is Evidence.READ_BACK:
                return trial
        return Trial(name, said=trial.said)

    def _values(self, wanted: float | None, standing: float, unit: str) -> list[Setting]:
        return [number(standing if wanted is None else wanted, unit, 1e-6)]

    def _trips(self) -> _Trips:
        """Find out how it says that a protection has tripped; letting go of one does nothing while none has."""
        way = self._ways[0]
        clears = [way.spelling(header, "", asks=False).template for header in _CLEARS if way.fits(header)]
        return _Trips(
            voltage=self._asker.find_query("voltage protection tripped", self._queries(_TRIPS), parse_boolean),
            current=self._asker.find_query("current protection tripped", self._queries(_CURRENT_TRIPS), parse_boolean),
            clear=self._asker.find_command("protection let go", clears),
        )

    def _switched_on(self, off: Trial, level: Trial, limits: Sequence[Trial], trips: _Trips) -> Capability:
        """Switch the output on at 0 V and off again, when it is known to be limited; else leave it off."""
        name = "output on"
        if not self._on:
            return Capability(name, "", Evidence.NONE)
        unconfirmed = [each.name for each in (off, level) if each.evidence is not Evidence.READ_BACK]
        unconfirmed += [each.name for each in limits if each.said]
        if self._current_limit_a is not None and limits[1].spelling is None:
            unconfirmed.append(limits[1].name)
        if unconfirmed:
            why = f"not tried, since {' and '.join(dict.fromkeys(unconfirmed))} could not be confirmed"
            return Capability(name, self._on, Evidence.IMPLIED, why)
        trial = Trial(name)
        if not self._goes_on(trial, off, level):
            said = trial.said or self._tripped(trips) or "it says: off"
            self._missing.append(f"Its output does not go on by {self._on!r} ({said}).")
            return Capability(name, "", Evidence.NONE, trial.said)
        if not (self._asker.obeys(trial, off.template) and self._comes_to(off, on=False)):
            self._missing.append(f"Its output does not go off by {off.template!r}: switch it off by hand now.")
        return Capability(name, self._on, Evidence.READ_BACK)

    def _say_how_it_is_made_safe(self, level: Trial, off: str, state: str) -> None:
        if level.query:
            self._tell_safe(
                SourceDialect(
                    set_voltage=level.template,
                    programmed=level.query,
                    read_back=level.query,
                    on="",
                    off=off,
                    output_state=state,
                )
            )

    def _goes_on(self, trial: Trial, off: Trial, level: Trial) -> bool:
        """Switch the output on. One that does not say what it refuses may take another word than was thought."""
        for words in _WORDS:
            on, spelled_off = (self._respelt(template, words) for template in (self._on, off.template))
            self._say_how_it_is_made_safe(level, spelled_off, off.query)
            if self._asker.obeys(trial, on) and self._comes_to(off, on=True):
                self._on, off.spelling = on, Spelling(spelled_off, off.query)
                self._made_safe_by.append(spelled_off)
                return True
        return False

    def _comes_to(self, off: Trial, *, on: bool) -> bool:
        """Whether it says within the time that an output may need that it is on, or off."""
        for _ in range(LOOKS):
            if self._asker.value(off.query, parse_boolean) is on:
                return True
            self._session.clock.sleep(SWITCHING_S / LOOKS)
        return self._asker.value(off.query, parse_boolean) is on

    def _tripped(self, trips: _Trips) -> str:
        for what, trip in (("voltage", trips.voltage), ("current", trips.current)):
            if trip.spelling is not None and self._asker.value(trip.template, parse_boolean):
                return f"its {what} protection trips at 0 V: take off what is connected to it, and ask it again"
        return ""

    def _respelt(self, template: str, words: tuple[str, str]) -> str:
        """Return the template with other words for off and on."""
        for pair in _WORDS:
            for old, new in zip(pair, words, strict=True):
                template = re.sub(rf"(OUTP\S*) {old}\b", rf"\g<1> {new}", template)
        return template

    @contextlib.contextmanager
    def _safe_at_the_end(self) -> Iterator[None]:
        """Send once more, however the block ends, what takes the level to 0 V and the output off."""
        try:
            yield
        finally:
            for command in self._made_safe_by:
                with contextlib.suppress(InstrumentError, ReplyError, AnswerLate):
                    self._session.command(command)

    def _judge(self, off: Trial, level: Trial, read_back: Trial, limits: Sequence[Trial]) -> None:
        if level.spelling is None:
            self._missing.append(self._no_level(level))
        elif not (level.query or read_back.spelling):
            self._missing.append("It cannot be asked where it stands, so it can never be known to be at 0 V.")
        if off.spelling is None:
            self._losses.append("It has no output switch: safe means 0 V, and the output stays connected.")
        elif not off.query:
            self._losses.append("It does not say whether its output is on: safe rests on its level alone.")
        if read_back.spelling is None:
            self._losses.append("It does not measure its own output: only the meter can tell what stands at the jack.")
        if not limits[2].spelling:
            self._losses.append("Its voltage protection cannot be set: only the limits here keep the CV inside.")
        if not limits[1].spelling and self._current_limit_a is not None:
            said = f" (it says: {limits[1].said})" if limits[1].said else ""
            self._missing.append(
                f"Its current cannot be limited to {self._current_limit_a:g} A{said}: take current_limit_a out, or use "
                "another source."
            )
        elif not limits[1].spelling:
            self._losses.append("Its current cannot be limited: a shorted lead gets what it can deliver.")

    def _no_level(self, level: Trial) -> str:
        why = f" (it says: {level.said})" if level.said else ""
        for way in self._ways:
            for header in (each for each in _LEVELS if way.fits(each)):
                standing_v = self._asker.value(way.query(header), _volts)
                if standing_v is not None:
                    stands = f"It says by {way.query(header)} that it stands at {standing_v:g} V"
                    does = "does not go to 0 V" if standing_v else "its level does not follow what it is told"
                    return f"{stands}, and {does}{why}."
        return f"No spelling was found by which its level goes to 0 V and is confirmed{why}."

    def _dialect(
        self, off: Trial, level: Trial, read_back: Trial, limits: Sequence[Trial], trips: _Trips
    ) -> SourceDialect:
        chosen, current, protection = limits
        return SourceDialect(
            set_voltage=level.template,
            programmed=level.query,
            read_back=read_back.template or level.query,
            on=self._on,
            off=off.template,
            output_state=off.query,
            range=chosen.template,
            range_query=chosen.query,
            current_limit=current.template,
            current_limit_query=current.query,
            voltage_protection=protection.template,
            voltage_protection_query=protection.query,
            voltage_protection_tripped=trips.voltage.template,
            current_protection_tripped=trips.current.template,
            clear_protection=trips.clear.template,
        )

    def _queries(self, headers: Sequence[str]) -> list[str]:
        way = self._ways[0]
        return [way.query(header) for header in headers if way.fits(header)]
