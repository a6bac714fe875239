"""What meters and counters have in common: function, trigger, and how many readings come at once."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.asking.addressing import Addressing, Way, ways_to
from drivers.asking.asker import Asker, Spelling, Trial
from drivers.asking.findings import Evidence
from drivers.asking.values import switch, whole, word
from drivers.errors import NotANumber, Overload
from drivers.scpi import parse_number

TRIGGER = Spelling("TRIG:SOUR {source}", "TRIG:SOUR?")
KEEPING_SETTINGS = ("READ?", "INIT;:FETC?", "INIT;*WAI;:FETC?")
"""Ways to trigger and read that keep what was set before; MEASure sets everything to the instrument's own choice."""
SWITCHES = (switch("OFF", on=False), switch("ON", on=True))
_SAMPLES = ("SAMP:COUN", "TRIG:COUN", "SENS:SAMP:COUN")
# common practice: a first reading may wait for a range, an auto-zero or a signal
_TIMES_LONGER = 4.0


def find_select(asker: Asker, channel: int | None) -> str:
    """Select the instrument behind a channel, where one link leads to several (SCPI-1999 volume 2, 9: INSTrument).

    :return: the command that does; empty where no channel is wanted or it is not reached so.
    """
    for way in () if channel is None else ways_to(channel):
        if way.way is Way.SELECT:
            header, _, named = way.select.partition(" ")
            selected = asker.find_setting("channel", "", [Spelling(way.select, f"{header}?")], [word(named)])
            if selected.evidence is Evidence.READ_BACK:
                return way.select
    return ""


def places(channel: int | None) -> tuple[Addressing, ...]:
    """Return the ways to say which input is meant; none, where none is wanted and that does."""
    number = 1 if channel is None else channel
    named = (Addressing(Way.LIST, number), Addressing(Way.SUFFIX, number))
    if channel is None:
        return (Addressing(Way.NONE), *named)
    return (*named, Addressing(Way.NONE)) if channel == 1 else named


def spelled(ways: Sequence[Addressing], headers: Sequence[str], argument: str) -> list[Spelling]:
    """Return a setting in every way and under every header."""
    return [way.spelling(header, argument) for way in ways for header in headers if way.fits(header)]


def find_function(asker: Asker, spellings: Sequence[Spelling], name: str) -> Trial:
    """Find out how the function is chosen: by what is taken, or by what the instrument then says it is set to.

    :param name: what the function is called in an answer, such as ``VOLT``.
    """
    if asker.session.reports_errors:
        return asker.find_command("function", [each.template for each in spellings])
    trial = Trial("function")
    for spelling in spellings:
        if spelling.query and asker.obeys(trial, spelling.template):
            answer = asker.value(spelling.query, str)
            if answer is not None and name in answer.upper():
                return Trial("function", spelling, Evidence.READ_BACK)
    return Trial("function", said="it does not say what it is set to")


def find_trigger(asker: Asker) -> Trial:
    """Find out whether the trigger can be set to come at once."""
    return asker.find_setting("trigger", "source", [TRIGGER], [word("IMM")])


def find_read(asker: Asker, measures: Sequence[str], unit: str) -> Trial:
    """Find the question that triggers and returns a reading, those first that keep what was set.

    :param measures: spelled MEASure queries.
    """

    def number_of(text: str) -> float:
        return parse_number(text, unit)

    timeout_s = _TIMES_LONGER * asker.session.timeout_s
    return asker.find_query("reading", [*KEEPING_SETTINGS, *measures], number_of, timeout_s=timeout_s)


def find_samples(asker: Asker, read: str) -> Trial:
    """Find out how several readings come from one trigger; in the end one does."""
    name = "readings a trigger"
    spellings = [Spelling(f"{header} {{count}}", f"{header}?") for header in _SAMPLES]
    trial = asker.find_setting(name, "count", spellings, [whole(3), whole(2)])
    if trial.spelling is None:
        return trial
    asker.obeys(trial, trial.filled(count="2"))
    came = asker.value(read, _count, timeout_s=_TIMES_LONGER * asker.session.timeout_s)
    asker.obeys(trial, trial.filled(count="1"))
    if came == 2:
        return trial
    return Trial(name, said=f"{trial.template} is taken, and {read} answers with {came or 'no'} numbers instead of 2")


def keeps_settings(read: str) -> bool:
    """Whether a reading is taken with what was set before it."""
    return read in KEEPING_SETTINGS


def _count(text: str) -> int:
    for item in text.split(","):
        _require_number(item)
    return text.count(",") + 1


def _require_number(text: str) -> None:
    try:
        parse_number(text)
    except (NotANumber, Overload):
        return
