"""The kinds of link that every test of the drivers can be run on."""

from __future__ import annotations

import pytest

from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.hislip import HislipLink
from drivers.virtual.links.serving import Link
from drivers.virtual.links.sockets import SocketLink
from drivers.virtual.links.terminals import TerminalLink
from drivers.virtual.links.vxi11 import Vxi11Link


@pytest.fixture(
    params=[SocketLink, TerminalLink, HislipLink, Vxi11Link, DirectLink],
    ids=["socket", "serial", "hislip", "vxi11", "direct"],
)
def link_class(request: pytest.FixtureRequest) -> type[Link]:
    chosen: type[Link] = request.param
    return chosen


@pytest.fixture(params=[SocketLink, TerminalLink, DirectLink], ids=["socket", "serial", "direct"])
def line_link_class(request: pytest.FixtureRequest) -> type[Link]:
    chosen: type[Link] = request.param
    return chosen
