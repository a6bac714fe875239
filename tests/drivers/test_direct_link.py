"""A device inside the program is spoken to as one behind a socket is, and answers the same."""

from __future__ import annotations

import threading
from contextlib import closing
from pathlib import Path

import pytest

from drivers.counter import Counter
from drivers.errors import InstrumentError, LinkRefused
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.bench import parse, start
from drivers.virtual.errors import WrongDescription
from drivers.virtual.links.direct import DirectLink
from tests.drivers.instruments import EchoInstrument

FIXTURES = Path(__file__).parents[2] / "fixtures"
TABLE = {"clock": "instant", "seed": 7, "unit": str(FIXTURES / "units" / "healthy.toml")}


def exchanges_over(link: str) -> list[str]:
    """What a short piece of work at the virtual bench puts on a link, answers and times included."""
    seen: list[str] = []
    with start(parse({**TABLE, "link": link}, FIXTURES)) as bench:
        bench.hands.insert("0001")
        bench.hands.power(True)
        sessions = [
            Session.open(
                bench.resources[role],
                role=role,
                clock=bench.clock,
                observer=lambda exchange: seen.append(
                    f"{exchange.role} {exchange.ended_s!r} {exchange.sent} > {exchange.received}"
                ),
            )
            for role in ("source", "counter")
        ]
        with Source(sessions[0], VoltageLimits(-1.0, 8.5)) as source, Counter(sessions[1]) as counter:
            counter.configure(coupling="AC", level_v=0.0)
            counter.set_gate(0.1)
            source.output_on()
            for voltage_v in (1.0, 2.0, 3.0):
                source.set_voltage(voltage_v)
                counter.start()
                source.read_back()
                counter.fetch()
            with pytest.raises(InstrumentError, match="-222 Data out of range"):
                counter.set_gate(1e9)
    return seen


def test_over_a_direct_link_every_message_and_every_answer_is_what_it_is_over_a_socket():
    over_socket, inside = exchanges_over("socket"), exchanges_over("direct")
    assert inside == over_socket
    assert len(inside) > 20


def test_a_direct_link_needs_no_thread():
    threads = threading.active_count()
    with (
        closing(DirectLink(EchoInstrument())) as link,
        Session.open(link.resource, role="meter") as session,
    ):
        assert session.ask("ECHO? first") == "first"
        assert threading.active_count() == threads


def test_each_direct_link_has_a_name_of_its_own():
    with closing(DirectLink(EchoInstrument())) as one, closing(DirectLink(EchoInstrument())) as other:
        assert one.resource != other.resource


def test_a_name_that_nobody_in_the_program_goes_by_is_refused():
    with closing(DirectLink(EchoInstrument())) as link:
        resource = link.resource
    with pytest.raises(LinkRefused, match=r"Meter at DIRECT::.* cannot be opened .*in the bench file"):
        Session.open(resource, role="meter")


def test_a_bench_says_by_which_kind_of_link_it_is_reached():
    with start(parse(TABLE, FIXTURES)) as bench:
        assert all(resource.endswith("::SOCKET") for resource in bench.resources.values())
    with start(parse({**TABLE, "link": "direct"}, FIXTURES)) as bench:
        assert all(resource.startswith("DIRECT::") for resource in bench.resources.values())
    with pytest.raises(WrongDescription, match="link"):
        parse({**TABLE, "link": "telepathy"}, FIXTURES)
