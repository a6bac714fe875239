"""Which instruments can be seen from here, and which of them say who they are.

Looking at what is plugged in disturbs nobody. Looking for instruments on the network broadcasts to everybody there,
so that is done only when it is asked for.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass

from pyvisa.constants import InterfaceType
from pyvisa_py.sessions import Session as PyvisaSession

from drivers.asking.address import Address
from drivers.asking.link import who_answers
from drivers.errors import DriverError
from drivers.exchange import Observer

_LOCAL = frozenset({InterfaceType.asrl, InterfaceType.usb, InterfaceType.gpib})
_NETWORK = frozenset({InterfaceType.tcpip})


@dataclass(frozen=True, slots=True)
class Seen:
    """What lies at one address.

    :param identity: what it answered to ``*IDN?``; empty when it did not.
    :param termination: the line end to which it answered.
    :param silence: why there is no identity.
    """

    resource: str
    identity: str = ""
    termination: str = ""
    silence: str = ""


def resources(*, network: bool) -> tuple[str, ...]:
    """List resource strings of what is plugged in here.

    :param network: look on the network as well, which broadcasts and takes seconds.
    """
    wanted = _LOCAL | _NETWORK if network else _LOCAL
    found: list[str] = []
    with warnings.catch_warnings():
        # pyvisa-py names packages that would let it see more; see blind_spots
        warnings.simplefilter("ignore", UserWarning)
        for (interface, resource_class), session in PyvisaSession.iter_valid_session_classes():
            if interface in wanted and resource_class == "INSTR":
                found += session.list_resources()
    return tuple(dict.fromkeys(found))


def blind_spots() -> tuple[str, ...]:
    """Say which kinds of links cannot be used from here, and what would make them usable; one sentence each.

    GPIB is missing where its interface is: its instruments alone can be reached through an adapter on another link.
    """
    wanted = _LOCAL | _NETWORK
    return tuple(
        f"{interface.name.upper()}: {' '.join(str(issue).split())}"
        for (interface, resource_class), issue in PyvisaSession.iter_session_classes_issues()
        if interface in wanted and resource_class == ("INTFC" if interface is InterfaceType.gpib else "INSTR")
    )


def ask_each(found: tuple[str, ...], timeout_s: float, observer: Observer | None = None) -> Iterator[Seen]:
    """Ask each resource who it is, one after the other.

    :param timeout_s: how long each may take to answer, with each of the usual line ends.
    """
    for resource in found:
        try:
            identity, termination = who_answers(Address(resource, "instrument", timeout_s, observer=observer))
        except DriverError as error:
            # whoever looks around may have no bench file yet
            yield Seen(resource, silence=str(error).replace(" in the bench file", ""))
        else:
            yield Seen(resource, str(identity), termination)
