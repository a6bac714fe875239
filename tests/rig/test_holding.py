"""Two programs never drive one bench, and what a killed program left on is made safe before anything else.

The bench is a virtual one that outlives whoever opens it; its truth is asked over its own control line.
"""

from __future__ import annotations

import json
import os
import resource
import socket
from contextlib import contextmanager
from dataclasses import replace

import pytest

from drivers.scpi import Identity
from drivers.session import Session
from drivers.source import VoltageLimits
from drivers.virtual.served import description_of, served
from rig.bench import load_bench, open_bench
from rig.bench_hold import debt_of
from rig.bench_lock import Holder, Locks, in_use, lock_beside, lock_of_address, lock_of_instrument
from rig.bench_profile import BenchProfile
from rig.errors import BenchBusy, BenchProblem, StillOwed
from rig.owed import SafetyNote, do_what_is_owed, forget_by_hand, is_owed, places
from tests.benchmarks.kills.bench import Place, bench_text
from tests.cli.test_commands import SERIAL, one_sentence, rig

LIMITS = VoltageLimits(-0.5, 8.5)


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    """A served bench, and the truth about its source."""
    place = Place(tmp_path_factory.mktemp("bench"))
    place.bench.write_text(bench_text(seed=1, address_file=place.address.name), encoding="utf-8")
    with served(description_of(place.bench)) as address:
        yield place, address


@pytest.fixture
def place(standing, monkeypatch, tmp_path):
    """The same, with locks and notes of its own."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    yield standing[0]
    for note in places(standing[0].bench):
        note.unlink(missing_ok=True)


@pytest.fixture
def address(standing):
    return standing[1]


@contextmanager
def opened(place):
    with open_bench(load_bench(place.bench), LIMITS) as bench:
        yield bench


def source_of(place):
    with opened(place) as bench:
        return bench.provider.line.call("source")


def debt(place, address, **changed):
    """What a program that is killed now would owe."""
    owed = debt_of(address.resources["source"], load_bench(place.bench), BenchProfile(), None)
    return replace(owed, timeout_s=0.3, **changed)


def left_on(place, address):
    """The source as a killed program leaves it."""
    with Session.open(address.resources["source"], role="source") as session:
        session.command("SOUR:VOLT 5;:OUTP ON")


def asked(address, question):
    with Session.open(address.resources["source"], role="source") as session:
        return session.ask(question)


# The lock


def test_a_bench_in_use_names_who_holds_it_and_what_to_do(place):
    with opened(place), pytest.raises(BenchBusy) as caught, opened(place):
        pass
    said = str(caught.value)
    assert said.startswith(f"The bench {place.bench} is in use by ")
    assert f"process {os.getpid()}, since " in said
    assert socket.gethostname() in said
    assert said.endswith("let it finish or end it there, and try again.")
    with opened(place):
        pass


def test_two_bench_files_cannot_drive_one_instrument(place):
    other = place.folder / "other.toml"
    other.write_text(place.bench.read_text(encoding="utf-8"), encoding="utf-8")
    other_bench = open_bench(load_bench(other), LIMITS)
    with opened(place), pytest.raises(BenchBusy, match=r"The instrument at TCPIP.*is in use by"), other_bench:
        pass
    assert not other.with_name("other.holder.json").exists()


def test_an_address_is_the_same_however_it_is_spelled():
    # VPP-4.3, resource strings: the board number is 0 where it is left out, case does not matter (from memory)
    assert lock_of_address("TCPIP::127.0.0.1::5025::SOCKET") == lock_of_address("tcpip0::127.0.0.1::5025::socket")
    assert lock_of_address("GPIB::22::INSTR") == lock_of_address("GPIB0::22")
    assert lock_of_address("GPIB::22::INSTR") != lock_of_address("GPIB::23::INSTR")


def test_an_instrument_under_two_addresses_is_one_instrument(place, tmp_path):
    maker = Identity("Maker", "Meter", "SN 1", "1.0")
    with Locks(tmp_path / "one.toml") as one, Locks(tmp_path / "two.toml") as two:
        one.take_instrument(maker)
        with pytest.raises(BenchBusy, match=r"The instrument Maker,Meter,SN 1,1\.1 is in use by"):
            two.take_instrument(replace(maker, firmware="1.1"))
        # IEEE 488.2-1992, 10.14: a serial number that is not available is an ASCII 0
        assert lock_of_instrument(replace(maker, serial="0")) is None


def test_what_a_killed_holder_wrote_locks_nobody_out(place):
    holder = replace(Holder.here(place.bench), process_id=4_000_000)
    note = lock_beside(place.bench).with_suffix(".holder.json")
    note.write_text(json.dumps({each: getattr(holder, each) for each in Holder.__slots__}), encoding="utf-8")
    with Locks(place.bench) as locks:
        locks.take_bench([])
        assert locks.former == {4_000_000: holder}
        assert json.loads(note.read_text(encoding="utf-8"))["process_id"] == os.getpid()
    assert not note.exists()


def test_an_instrument_in_use_is_not_asked_who_it_is(place, address):
    assert in_use(address.resources["meter"]) == ""
    with opened(place):
        assert f"process {os.getpid()}" in in_use(address.resources["meter"])
    assert in_use(address.resources["meter"]) == ""


def test_an_instrument_whose_lock_cannot_be_looked_at_is_not_asked_either(place, address):
    lock = lock_of_address(address.resources["meter"])
    lock.mkdir(parents=True)
    assert "another program, perhaps: its lock" in in_use(address.resources["meter"])


def test_a_bench_that_nobody_can_lock_is_not_driven(place, tmp_path, monkeypatch):
    (tmp_path / "no folder").write_text("a file", encoding="utf-8")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "no folder"))
    # where nobody may write beside the bench file the user's own folder does
    with Locks(tmp_path / "no folder" / "bench.toml") as locks, pytest.raises(BenchProblem, match="can a lock be kept"):
        locks.take_bench(["GPIB::22::INSTR"])
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with Locks(tmp_path / "no folder" / "bench.toml") as locks:
        locks.take_bench(["GPIB::22::INSTR"])
        assert "another user who drives this bench would not be noticed" in locks.remark


def test_where_only_the_bench_file_can_be_locked_a_visit_says_so(place, tmp_path, monkeypatch):
    (tmp_path / "a file").write_text("", encoding="utf-8")
    with Locks(place.bench) as locks:
        locks.take_bench(["GPIB::22::INSTR"])
        assert not locks.remark
    with monkeypatch.context() as meanwhile:
        meanwhile.setenv("XDG_STATE_HOME", str(tmp_path / "a file"))
        with opened(place) as bench:
            remark = bench.remark
    assert "another bench file with the same instruments would not be noticed" in remark


def test_a_bench_inside_the_program_locks_nothing_and_owes_nothing(tmp_path):
    path = tmp_path / "inside.toml"
    text = bench_text(seed=1, address_file="gone").replace('process = "gone"', 'link = "direct"')
    path.write_text(text, encoding="utf-8")
    with open_bench(load_bench(path), LIMITS) as bench:
        bench.source.output_on()
        assert [each.name for each in tmp_path.iterdir()] == ["inside.toml"]


# The note


def test_the_note_stands_before_the_source_can_put_anything_out_and_as_long(place):
    with opened(place) as bench:
        assert not is_owed(place.bench)
        bench.source.set_voltage(0.0)
        assert not is_owed(place.bench)
        bench.source.output_on()
        assert is_owed(place.bench)
        bench.source.make_safe()
        assert not is_owed(place.bench)
        bench.source.set_voltage(2.0)
        assert is_owed(place.bench)
    assert not is_owed(place.bench)


@contextmanager
def full_disk():
    """No file may grow, as on a full disk (setrlimit(2): a write past the limit fails)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_without_room_for_the_note_the_source_stays_off(place, address):
    with opened(place) as bench:
        with full_disk(), pytest.raises(BenchProblem, match=r"The source stays off: .* can be noted nowhere"):
            bench.source.output_on()
        with full_disk(), pytest.raises(BenchProblem, match="The source stays off"):
            bench.source.set_voltage(3.0)
        assert bench.provider.line.call("source") == {"on": False, "programmed_v": 0.0, "driven_v": 0.0}
        bench.source.output_on()
        assert bench.provider.line.call("source")["on"]


def test_where_nobody_may_write_beside_the_bench_file_the_note_stands_in_the_users_folder(place, address):
    beside, elsewhere = places(place.bench)
    hindrance = beside.with_name(f"{beside.name}.part")
    hindrance.mkdir()
    note = SafetyNote(place.bench, debt(place, address))
    note.give()
    hindrance.rmdir()
    assert (beside.exists(), elsewhere.exists()) == (False, True)
    left_on(place, address)
    assert "is at 0 V with its output off now" in do_what_is_owed(place.bench)
    assert asked(address, "OUTP?") == "0"
    assert not is_owed(place.bench)


# The next start


def test_the_next_start_makes_safe_what_was_left_on_and_says_whose_it_was(place, address):
    SafetyNote(place.bench, debt(place, address)).give()
    left_on(place, address)
    said = do_what_is_owed(place.bench)
    assert f"process {os.getpid()}" in said
    assert said.endswith("ended without leave: it is at 0 V with its output off now.")
    assert (asked(address, "OUTP?"), float(asked(address, "SOUR:VOLT?"))) == ("0", 0.0)
    assert do_what_is_owed(place.bench) == ""


def test_opening_the_bench_does_what_is_owed_too(place, address):
    SafetyNote(place.bench, debt(place, address)).give()
    left_on(place, address)
    assert source_of(place) == {"on": False, "programmed_v": 0.0, "driven_v": 0.0}
    assert not is_owed(place.bench)


def test_what_a_program_owes_that_is_still_there_is_left_to_it(place):
    with opened(place) as bench:
        bench.source.output_on()
        with pytest.raises(BenchBusy, match="is in use by"):
            do_what_is_owed(place.bench)
        with pytest.raises(BenchBusy, match="is in use by"):
            forget_by_hand(place.bench)
        assert bench.source.is_on()


def test_a_source_that_nobody_reaches_has_to_be_switched_off_by_hand(place, address):
    SafetyNote(place.bench, debt(place, address, resource="TCPIP::127.0.0.1::1::SOCKET")).give()
    with pytest.raises(StillOwed) as caught:
        do_what_is_owed(place.bench)
    assert "switch its output off by hand now, before you touch the unit" in str(caught.value)
    assert f"rig bench safe {place.bench} --by-hand" in str(caught.value)
    assert is_owed(place.bench)
    assert forget_by_hand(place.bench)
    assert not is_owed(place.bench)
    assert not forget_by_hand(place.bench)


def test_another_instrument_at_that_address_is_not_taken_for_the_source(place, address):
    SafetyNote(place.bench, debt(place, address, identity=Identity("Maker", "Other source", "1", "1"))).give()
    with pytest.raises(StillOwed, match=r"VS-0001,1\.0 answers there, and it was Maker,Other source"):
        do_what_is_owed(place.bench)


def test_a_note_that_cannot_be_read_counts_as_owed(place):
    places(place.bench)[0].write_text('{"debt": {}}', encoding="utf-8")
    with pytest.raises(StillOwed, match=r"may have left the source of .* on"):
        do_what_is_owed(place.bench)


def test_a_note_whose_date_cannot_be_read_is_done_all_the_same(place, address):
    SafetyNote(place.bench, debt(place, address)).give()
    note = places(place.bench)[0]
    written = json.loads(note.read_text(encoding="utf-8"))
    written["by"]["since"] = "yesterday"
    note.write_text(json.dumps(written), encoding="utf-8")
    assert "since yesterday) left the source at" in do_what_is_owed(place.bench)
    assert not is_owed(place.bench)


def test_a_note_whose_spelling_sets_nothing_is_not_said_to_the_source(place, address):
    owed = debt(place, address)
    SafetyNote(place.bench, replace(owed, dialect=replace(owed.dialect, set_voltage="SOUR:VOLT {gate}"))).give()
    with pytest.raises(StillOwed, match=r"names in braces may be voltage.*switch the source's output off by hand now"):
        do_what_is_owed(place.bench)


def test_what_is_owed_comes_before_the_record_and_nothing_else_happens_while_it_is(place, address, tmp_path):
    SafetyNote(place.bench, debt(place, address, resource="TCPIP::127.0.0.1::1::SOCKET")).give()
    folder = tmp_path / "home"
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(place.bench), folder=folder, HOME=str(tmp_path)), 3)
    assert "switch its output off by hand now" in complaint
    assert not folder.exists()
