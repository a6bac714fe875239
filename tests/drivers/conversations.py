"""An instrument that is asked which spelling it takes, over a link, with everything that was said."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from drivers.asking.address import Address
from drivers.asking.findings import LinkFindings
from drivers.asking.link import ask_link, careful
from drivers.clock import Clock
from drivers.exchange import Exchange
from drivers.link import SerialOptions
from drivers.session import Session
from drivers.virtual.device import Device
from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.serving import Link

TIMEOUT_S = 0.4
"""An answer that does not come costs a third of it while asking."""


class Conversation:
    """An instrument behind a link, what was asked of it, and what came of that."""

    def __init__(self, resource: str, role: str, clock: Clock, timeout_s: float = TIMEOUT_S) -> None:
        self.exchanges: list[Exchange] = []
        self.address = Address(resource, role, timeout_s, "\n", SerialOptions(), self.exchanges.append, clock)
        self.clock = clock
        self.link: LinkFindings = ask_link(self.address)

    @contextmanager
    def asking(self) -> Iterator[Session]:
        """A session in which wrong spellings do no harm."""
        dialect = careful(self.link.dialect, drops_rest=self.link.drops_rest)
        with self.address.open_next(dialect, self.link.termination, self.link.patience_s) as session:
            yield session

    def working(self) -> Session:
        """A session as the bench opens it afterwards."""
        return self.address.open_next(self.link.dialect, self.link.termination, 2.0)

    @property
    def sent(self) -> list[str]:
        return [exchange.sent for exchange in self.exchanges]


@contextmanager
def reached(device: Device, clock: Clock, role: str, link: Callable[..., Link] = DirectLink) -> Iterator[Conversation]:
    # inside this process silence is waited for by the device's own clock, where its answers do not take that time
    by = {"clock": clock} if link is DirectLink and not device.personality.latency_s else {}
    served_at = link(device, termination=device.personality.termination, **by)
    try:
        yield Conversation(served_at.resource, role, clock)
    finally:
        served_at.close()
