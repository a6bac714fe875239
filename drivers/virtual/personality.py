"""Personalities of the virtual instruments: the same instrument, spoken to as another maker would have it.

What instruments in the field do otherwise than SCPI-1999 and IEEE 488.2 (common practice, all of it): other
headers, channels by list, number or selection, no error queue or one that says nothing, answers with units, one
command a message, other line ends, their own words for 'no result'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Errors(StrEnum):
    """How an instrument tells that something went wrong."""

    QUEUE = "queue"
    UNQUOTED = "unquoted"
    """A queue whose texts lack their quotes."""
    NUMBER = "number"
    """A queue that gives numbers alone."""
    EMPTY = "empty"
    """A queue that never has an entry."""
    UNANSWERED = "unanswered"
    """A queue that is never answered for."""
    REGISTER = "register"
    """No queue: only ``*ESR?``."""
    NONE = "none"
    """Neither queue nor ``*ESR?``: what is not understood is passed over."""


class Channels(StrEnum):
    """How a channel is named; with a name there are two, and the bench is wired to the second."""

    NONE = "none"
    LIST = "list"
    SUFFIX = "suffix"
    SELECT = "select"


@dataclass(frozen=True, slots=True)
class Personality:
    """How an instrument is spoken to.

    :param respelt: headers in the notation of the standard, each with what stands in its place; nothing, when the
        instrument has no such command.
    :param token: whether it has the enable registers ``*ESE`` and ``*SRE``.
    :param joins: whether it takes several units in one message.
    :param drops_rest: whether it forgets the rest of a message at an error, answers included.
    :param fetch_waits: whether FETCh waits for a reading under way; else it complains that there is none yet.
    :param units: whether units stand behind its readings.
    :param no_result: what it answers where there is no result, in place of SCPI's not-a-number.
    :param words: whether switches take ON and OFF; 1 and 0 they always take.
    :param termination: ends its answers; where that is a carriage return alone, its messages too.
    :param latency_s: time that every message takes, on the bench's clock, in place of the bench's own.
    :param counts: whether a meter also counts and reads a probe, one function at a time.
    :param identity: in place of its own answer to ``*IDN?``.
    """

    respelt: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    errors: Errors = Errors.QUEUE
    channels: Channels = Channels.NONE
    token: bool = True
    joins: bool = True
    drops_rest: bool = False
    fetch_waits: bool = True
    units: bool = False
    no_result: str = ""
    words: bool = True
    termination: str = "\n"
    latency_s: float | None = None
    identity: str = ""
    counts: bool = False

    def spellings(self, header: str) -> tuple[str, ...]:
        """Return what a header is called here."""
        query = "?" if header.endswith("?") else ""
        bare = header.removesuffix("?")
        if bare in _ENABLES and not self.token:
            return ()
        if bare in _STATUS and self.errors is Errors.NONE:
            return ()
        if bare in _QUEUE and self.errors in {Errors.NONE, Errors.REGISTER}:
            return ()
        if header in self.respelt:
            return self.respelt[header]
        return tuple(f"{each}{query}" for each in self.respelt.get(bare, (bare,)))


_ENABLES = ("*ESE", "*SRE")
_STATUS = ("*ESR", "*STB")
_QUEUE = (
    "SYSTem:ERRor[:NEXT]",
    "STATus:QUEue[:NEXT]",
    "SYSTem:ERRor:ALL",
    "SYSTem:ERRor:COUNt",
    "SYSTem:ERRor:CODE[:NEXT]",
    "SYSTem:ERRor:CODE:ALL",
)
_LEVEL = "[SOURce{n}]:VOLTage[:LEVel][:IMMediate][:AMPLitude]"
_READING_NPLC = "[SENSe[1]]:VOLTage[:DC]:NPLCycles"
_CONFIGURE_VOLTS = "CONFigure[:SCALar]:VOLTage[:DC]"
_CONFIGURE_HERTZ = "CONFigure[:SCALar][:VOLTage]:FREQuency"
_GATE = "[SENSe[1]]:FREQuency:APERture"
_NO_TRIGGER: Mapping[str, tuple[str, ...]] = {
    "INITiate[:IMMediate]": (),
    "FETCh": (),
    "READ": (),
    "ABORt": (),
    "SAMPle:COUNt": (),
    "TRIGger[:SEQuence]:SOURce": (),
}

STANDARD = Personality()
_ANY = {
    "standard": STANDARD,
    "slow": Personality(latency_s=0.4),
    "strict": Personality(drops_rest=True),
    "units": Personality(units=True, termination="\r\n"),
    "single": Personality(joins=False, errors=Errors.UNQUOTED),
    "numbers": Personality(errors=Errors.NUMBER, token=False),
    "register": Personality(errors=Errors.REGISTER),
    "empty queue": Personality(errors=Errors.EMPTY, termination="\r\n"),
    "unanswered queue": Personality(errors=Errors.UNANSWERED, token=False),
    "mute": Personality(errors=Errors.NONE, token=False, joins=False, termination="\r"),
    "three fields": Personality(identity="Virtual bench,terse,2.0"),
}
SOURCES: Mapping[str, Personality] = {
    **_ANY,
    "list": Personality(channels=Channels.LIST),
    "suffix": Personality(channels=Channels.SUFFIX, errors=Errors.REGISTER, termination="\r\n"),
    "select": Personality(channels=Channels.SELECT, drops_rest=True),
    "mute select": Personality(channels=Channels.SELECT, errors=Errors.NONE, token=False, joins=False),
    "plain": Personality(
        respelt={
            _LEVEL: ("VOLTage",),
            "[SOURce{n}]:CURRent[:LEVel][:IMMediate][:AMPLitude]": ("CURRent",),
            "[SOURce{n}]:VOLTage:PROTection[:LEVel]": (),
            "[SOURce{n}]:VOLTage:PROTection:TRIPped": (),
            "[SOURce{n}]:VOLTage:PROTection:CLEar": (),
            "[SOURce{n}]:VOLTage:RANGe": (),
        },
        words=False,
        units=True,
    ),
    "no switch": Personality(respelt={"OUTPut{n}[:STATe]": ()}),
    "mute no switch": Personality(
        respelt={"OUTPut{n}[:STATe]": (), "MEASure{n}[:SCALar]:VOLTage[:DC]": ()}, errors=Errors.NONE, token=False
    ),
    "blind": Personality(respelt={"MEASure{n}[:SCALar]:VOLTage[:DC]": (), f"{_LEVEL}?": ()}),
}
THERMOMETERS: Mapping[str, Personality] = _ANY
METERS: Mapping[str, Personality] = {
    **_ANY,
    "counting": Personality(counts=True),
    "aperture": Personality(
        respelt={_CONFIGURE_VOLTS: (), "CONFigure": (), _READING_NPLC: (), "READ": (), "SAMPle:COUNt": ()}
    ),
    "measure only": Personality(respelt={_CONFIGURE_VOLTS: (), **_NO_TRIGGER}),
    "mute measure only": Personality(
        respelt={_CONFIGURE_VOLTS: (), **_NO_TRIGGER}, errors=Errors.NONE, token=False, joins=False
    ),
}
COUNTERS: Mapping[str, Personality] = {
    **_ANY,
    "gate time": Personality(respelt={_GATE: ("[SENSe[1]]:FREQuency:GATE:TIME",), _CONFIGURE_HERTZ: ()}),
    "resolution": Personality(respelt={_GATE: ()}),
    "measure only": Personality(respelt={_GATE: (), _CONFIGURE_HERTZ: (), **_NO_TRIGGER}, no_result="+9.9E+37"),
    "impatient fetch": Personality(fetch_waits=False, drops_rest=True),
}
