"""A virtual bench as a process of its own: the same bench, over one more line, and alive when the program is not."""

from __future__ import annotations

import json
import socket

import pytest

from drivers.counter import Counter
from drivers.session import Session
from drivers.virtual.bench import parse, start
from drivers.virtual.control import read_address
from drivers.virtual.distant import DistantBench
from drivers.virtual.errors import BenchAway, HandsRefused, WrongDescription
from drivers.virtual.served import description_of, served
from tests.virtual.conftest import FIXTURES

SERIAL = "DM26010001G"
TABLE = {"seed": 7, "population": str(FIXTURES / "populations/demo.toml")}


def lines(**table):
    return "[virtual]\n" + "".join(f"{name} = {json.dumps(value)}\n" for name, value in {**TABLE, **table}.items())


@pytest.fixture
def bench_file(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(lines(process="bench.address.json"), encoding="utf-8")
    return path


@pytest.fixture
def distant(bench_file):
    with served(description_of(bench_file)), DistantBench(bench_file.with_name("bench.address.json")) as bench:
        yield bench


def what_is_read(bench):
    """A unit switched on, turned and counted."""
    bench.hands.insert(SERIAL)
    bench.hands.power(True)
    bench.hands.turn("scale", 0.7)
    bench.hands.set_control("octave", "1")
    bench.clock.sleep(600.0)
    with Session.open(bench.resources["counter"], role="counter", clock=bench.clock) as session:
        counter = Counter(session)
        counter.configure()
        counter.set_gate(0.1)
        readings = [counter.read_frequency() for _ in range(3)]
    return readings, bench.clock.now()


def test_the_same_seed_gives_the_same_digits_wherever_the_bench_lives(distant):
    with start(parse(TABLE, base=FIXTURES)) as inside:
        assert what_is_read(distant) == what_is_read(inside)


def test_what_hands_are_refused_is_said_in_the_same_words(distant):
    with pytest.raises(HandsRefused, match="No unit is on the virtual bench"):
        distant.hands.power(True)
    distant.hands.insert(SERIAL)
    with pytest.raises(HandsRefused, match="no trim 'wick'"):
        distant.hands.turn("wick", 1.0)


@pytest.mark.parametrize("line", ["", "nonsense", "[]", '{"call": "close"}', '{"call": "turn", "arguments": [1]}'])
def test_nonsense_on_the_control_line_is_refused_and_the_bench_goes_on(distant, bench_file, line):
    port = read_address(bench_file.with_name("bench.address.json")).control_port
    with socket.create_connection(("127.0.0.1", port)) as raw:
        raw.sendall(f"{line}\n".encode())
        assert "refused" in json.loads(raw.makefile().readline())
    assert distant.clock.now() >= 0.0


def test_what_is_left_on_stays_on(bench_file):
    with served(description_of(bench_file)) as address:
        with Session.open(address.resources["source"], role="source") as session:
            session.command("SOUR:VOLT 4;:OUTP ON")
        with DistantBench(bench_file.with_name("bench.address.json")) as bench:
            source = bench.line.call("source")
    assert source["on"]
    assert source["driven_v"] == pytest.approx(4.007, abs=1e-9)  # gain error 0.05 %, offset 5 mV


def test_a_bench_that_is_not_served_says_how_it_is(bench_file):
    configuration = description_of(bench_file)
    with pytest.raises(BenchAway, match="is not running: start it with rig bench serve"):
        start(configuration)
    with served(configuration):
        bench = start(configuration)
    with pytest.raises(BenchAway, match="is not running"):
        bench.clock.now()
    bench.close()


def test_a_bench_is_served_once(bench_file):
    again = served(description_of(bench_file))
    with served(description_of(bench_file)), pytest.raises(WrongDescription, match=r"serves .* already"), again:
        pass


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (lines(), "add \\[virtual\\] with process"),
        ("[bench]\n", "describes no virtual bench that is a process of its own"),
        ("[virtual", "cannot be read"),
        (lines(process="a.json", link="direct"), "is reached by link = 'socket' or 'serial'"),
    ],
)
def test_a_bench_file_that_cannot_be_served_is_refused_by_its_field(tmp_path, text, what):
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WrongDescription, match=what):
        description_of(path)
