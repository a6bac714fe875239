"""rig bench find, check and trace, as a person types them, on virtual instruments over real links."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivers.errors import DriverError
from drivers.source import VoltageLimits
from drivers.trace import read_trace
from drivers.virtual.links.sockets import SocketLink
from fixtures import demonstration_bench, demonstration_product
from rig.bench import Tracing, load_bench, open_bench
from rig.bench_profile import load_profile
from rig.cli import app
from rig.errors import FileProblem
from tests.cli.test_commands import SERIAL, one_sentence, rig
from tests.drivers.instruments import EchoInstrument


def bench_file(folder, *, link="socket", source="standard", meter="standard", counter="standard", **source_role):
    """The demonstration bench in a folder of its own, with other personalities."""
    demonstration = demonstration_bench()
    text = demonstration.read_text()
    population = (demonstration.parent / "../populations/demo.toml").resolve()
    text = text.replace("../populations/demo.toml", str(population))
    text = text.replace('clock = "instant"', f'clock = "instant"\nlink = "{link}"')
    text = text.replace("[virtual.source]", f'[virtual.source]\npersonality = "{source}"')
    text = text.replace("[virtual.counter]", f'[virtual.counter]\npersonality = "{counter}"')
    text += f'\n[virtual.meter]\npersonality = "{meter}"\n'
    extra = "\n".join(f"{name} = {value}" for name, value in source_role.items())
    # what does not answer costs a third of this
    text = text.replace("[source]\n", f"[source]\ntimeout_s = 0.6\n{extra}\n")
    text = text.replace("[meter]\n", "[meter]\ntimeout_s = 0.6\n").replace(
        "[counter]\n", "[counter]\ntimeout_s = 0.6\n"
    )
    path = folder / "bench.toml"
    path.write_text(text)
    return path


def quick_product(folder):
    """The demonstration's product, soon warm, with few points and without switch and knob.

    What is said to the instruments is the same.
    """
    text = demonstration_product().read_text()
    text = text.replace("points = 17", "points = 9").replace('"octave steps", ', "").replace('"knob", ', "")
    for name in ("controls.octave", "controls.knob", "trims.centre"):
        text = re.sub(rf"\[{name}\]\n(?:.+\n)+", "", text)
    text = text.replace("minimum_s = 120.0", "minimum_s = 60.0").replace("window_s = 120.0", "window_s = 60.0")
    path = folder / "product.toml"
    path.write_text(text)
    return str(path)


@pytest.fixture(scope="module")
def decided(tmp_path_factory):
    """What is decided about the unit on the demonstration bench as it stands."""
    folder = tmp_path_factory.mktemp("standard")
    outcome = rig("check", SERIAL, "--json", "--product", quick_product(folder), folder=folder)
    return json.loads(outcome.stdout)["decision"]


@pytest.fixture(scope="module")
def profile_text(tmp_path_factory):
    """The profile of the demonstration bench."""
    folder = tmp_path_factory.mktemp("asked")
    assert rig("bench", "check", str(bench_file(folder)), folder=folder).returncode == 0
    return (folder / "bench.profile.toml").read_text()


@pytest.mark.parametrize(
    ("link", "personalities", "channel", "level"),
    [
        ("socket", ("standard", "standard", "standard"), {}, "SOUR:VOLT {voltage}"),
        ("socket", ("list", "aperture", "gate time"), {"channel": 2}, "SOUR:VOLT {voltage},(@2)"),
        ("serial", ("suffix", "units", "strict"), {"channel": 2}, "SOUR2:VOLT {voltage}"),
        ("serial", ("mute select", "numbers", "units"), {"channel": 2}, "INST:NSEL 2;:SOUR:VOLT {voltage}"),
        ("socket", ("plain", "single", "unanswered queue"), {"current_limit_a": 0.05}, "VOLT {voltage}"),
    ],
    ids=["standard", "list", "suffix", "select", "plain"],
)
def test_a_bench_that_was_asked_measures_a_unit_whatever_its_instruments_speak(
    tmp_path, decided, link, personalities, channel, level
):
    source, meter, counter = personalities
    path = bench_file(tmp_path, link=link, source=source, meter=meter, counter=counter, **channel)
    asked = rig("bench", "check", str(path), folder=tmp_path)
    assert asked.returncode == 0, asked.stdout + asked.stderr
    assert "Every role is filled." in asked.stdout
    profile = tomllib.loads((tmp_path / "bench.profile.toml").read_text())
    assert profile["source"]["dialect"]["set_voltage"] == level
    outcome = rig(
        "check", SERIAL, "--bench", str(path), "--product", quick_product(tmp_path), "--json", folder=tmp_path
    )
    assert outcome.returncode in {0, 1, 4}, outcome.stderr
    assert json.loads(outcome.stdout)["decision"] == decided


def test_without_its_profile_such_a_bench_is_refused_in_one_sentence(tmp_path):
    path = bench_file(tmp_path, source="list")
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert "-109 Missing parameter" in complaint
    path = bench_file(tmp_path, source="list", channel=2)
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert f"The source's channel 2 was never asked: rig bench check {path}" in complaint


def test_a_role_that_cannot_be_filled_is_said_and_ends_with_a_bench_fault(tmp_path):
    path = bench_file(tmp_path, source="blind", counter="measure only")
    outcome = rig("bench", "check", str(path), "--json", folder=tmp_path)
    assert outcome.returncode == 3
    source, _meter, counter = json.loads(outcome.stdout)["instruments"]
    assert not source["fills"]
    assert "can never be known to be at 0 V" in source["missing"][0]
    assert counter["fills"]
    assert any("no gate control" in loss for loss in counter["losses"])
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert "cannot fill its role" in complaint


def test_another_instrument_than_the_one_that_was_asked_is_noticed(tmp_path, profile_text):
    path = bench_file(tmp_path)
    other = profile_text.replace('model = "voltmeter"', 'model = "older voltmeter"')
    (tmp_path / "bench.profile.toml").write_text(other)
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert "ask it again with rig bench check" in complaint


def test_a_profile_for_another_address_is_not_used(tmp_path, profile_text):
    path = bench_file(tmp_path)
    (tmp_path / "bench.profile.toml").write_text(profile_text.replace("{meter}", "GPIB::22::INSTR"))
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert "The meter was asked at GPIB::22::INSTR" in complaint


@pytest.mark.parametrize(
    ("was", "becomes", "what"),
    [
        ('set_voltage = "SOUR:VOLT {voltage}"', 'set_voltage = "SOUR:VOLT {volts}"', "names in braces may be"),
        ('set_voltage = "SOUR:VOLT {voltage}"', 'set_voltage = "SOUR:VOLT {voltage}\\n*RST"', "printable ASCII"),
        ('set_voltage = "SOUR:VOLT {voltage}"', 'set_voltage = "SOUR:VOLT {gate}"', "names in braces may be voltage"),
        ('set_voltage = "SOUR:VOLT {voltage}"', 'set_voltage = "SOUR:VOLT 5"', "it sets nothing"),
        ('off = "OUTP OFF"', 'off = "OUTP {voltage}"', "no names in braces may be in it"),
        ("token_count = 255", "token_count = 99999999999", "give 0 to 65535"),
        ("joins = true", 'joins = "sometimes"', "source.link.joins"),
        ('line_end = "LF"', 'line_end = "ETX"', "source.line_end"),
        ('fetch = "FETC?"', 'ftech = "FETC?"', "ftech is not a field of it"),
        ("maker =", "mkaer =", "source.maker"),
        ("[source]", "[source", "not valid TOML"),
    ],
)
def test_a_profile_changed_to_nonsense_is_refused_by_its_field(tmp_path, profile_text, was, becomes, what):
    (tmp_path / "bench.profile.toml").write_text(profile_text.replace(was, becomes))
    with pytest.raises(FileProblem, match=r"The bench profile .*bench\.profile\.toml") as caught:
        load_profile(tmp_path / "bench.toml")
    assert what in str(caught.value)


def test_asking_again_mends_a_profile_that_cannot_be_used(tmp_path, profile_text):
    path = bench_file(tmp_path)
    (tmp_path / "bench.profile.toml").write_text("[source")
    assert rig("bench", "check", str(path), folder=tmp_path).returncode == 0
    mended = load_profile(path)
    assert mended.source is not None
    assert mended.source.dialect.set_voltage == "SOUR:VOLT {voltage}"


def test_a_bench_file_where_nobody_may_write_says_so(tmp_path):
    path = bench_file(tmp_path)
    (tmp_path / "bench.profile.toml").mkdir()
    complaint = one_sentence(rig("bench", "check", str(path), "--json", folder=tmp_path), 2)
    assert "cannot be written" in complaint


def test_an_instrument_that_does_not_answer_is_said_and_the_others_are_asked(tmp_path):
    path = bench_file(tmp_path)
    path.write_text(path.read_text().replace('"{meter}"', '"TCPIP::127.0.0.1::1::SOCKET"'))
    outcome = rig("bench", "check", str(path), folder=tmp_path)
    assert outcome.returncode == 3
    assert "could not be asked" in outcome.stdout
    assert "Not usable: meter." in outcome.stdout
    assert "meter" not in tomllib.loads((tmp_path / "bench.profile.toml").read_text())


def test_find_asks_an_address_that_is_given_and_does_not_look_on_the_network(tmp_path):
    instrument = EchoInstrument()
    link = SocketLink(instrument)
    outcome = rig("bench", "find", link.resource, "--wait", "0.1", folder=tmp_path)
    link.close()
    assert outcome.returncode == 0
    assert f"{link.resource}  {instrument.identity}" in outcome.stdout
    assert "Not looked for: instruments on the network" in outcome.stdout


def test_find_says_who_does_not_answer_and_hides_secrets(tmp_path):
    outcome = rig(
        "bench", "find", "TCPIP::maker:secret@127.0.0.1::1::SOCKET", "--wait", "0.1", "--json", folder=tmp_path
    )
    assert outcome.returncode == 0
    assert "secret" not in outcome.stdout + outcome.stderr
    found = json.loads(outcome.stdout)["instruments"]
    assert any(each["resource"].startswith("***@127.0.0.1") and each["silence"] for each in found)
    # whoever looks around may have no bench file yet
    assert not any("bench file" in each["silence"] for each in found)


def test_find_can_list_without_asking(tmp_path):
    outcome = rig("bench", "find", "TCPIP::127.0.0.1::1::SOCKET", "--no-ask", folder=tmp_path)
    assert outcome.returncode == 0
    assert "TCPIP::127.0.0.1::1::SOCKET\n" in outcome.stdout


def test_a_trace_of_asking_is_read_back(tmp_path):
    path = bench_file(tmp_path)
    trace = tmp_path / "asked.jsonl"
    assert rig("bench", "check", str(path), "--trace", str(trace), folder=tmp_path).returncode == 0
    outcome = rig("bench", "trace", str(trace), "--role", "counter", folder=tmp_path)
    assert outcome.returncode == 0
    assert '-113,"Undefined header;NONE:SUCH"' in outcome.stdout
    assert "OUTP OFF" not in outcome.stdout
    trace.write_bytes(trace.read_bytes()[:-20])
    outcome = rig("bench", "trace", str(trace), folder=tmp_path)
    assert outcome.returncode == 0
    assert f"The last line of {trace} is cut short" in outcome.stderr
    first = json.loads(rig("bench", "trace", str(trace), "--json", folder=tmp_path).stdout.splitlines()[0])
    assert (first["role"], first["sent"]) == ("source", "*IDN?")


def refused_in_the_middle(loaded, folder):
    """Use a bench until an instrument refuses something."""
    with open_bench(loaded, VoltageLimits(-0.5, 8.5), Tracing(faults_to=folder)) as bench:
        bench.source.set_voltage(2.0)
        bench.source.output_on()
        bench.meter.session.command("NONE:SUCH")


def test_the_last_minute_before_a_fault_is_kept_and_the_source_is_safe_in_it(tmp_path):
    folder = tmp_path / "traces"
    with pytest.raises(DriverError) as caught:
        refused_in_the_middle(load_bench(bench_file(tmp_path)), folder)
    (kept,) = folder.iterdir()
    assert f"The messages of the last minute are in {kept}" in caught.value.__notes__[0]
    sent = [line.sent for line in read_trace(kept)]
    fault = next(index for index, each in enumerate(sent) if "NONE:SUCH" in each)
    assert any("OUTP ON" in each for each in sent[:fault])
    assert any("OUTP OFF;:SOUR:VOLT 0" in each for each in sent[fault:])


def test_no_trace_is_kept_when_nothing_went_wrong(tmp_path):
    loaded = load_bench(bench_file(tmp_path))
    with open_bench(loaded, VoltageLimits(-0.5, 8.5), Tracing(faults_to=tmp_path / "traces")) as bench:
        assert len(bench.trace.last_minute()) > 5
    assert not (tmp_path / "traces").exists()


def test_every_message_goes_into_the_file_that_was_asked_for(tmp_path):
    loaded = load_bench(bench_file(tmp_path))
    with open_bench(loaded, VoltageLimits(-0.5, 8.5), Tracing(everything_to=tmp_path / "all.jsonl")) as bench:
        bench.clock.sleep(1000.0)
        bench.source.set_voltage(1.0)
    sent = [line.sent for line in read_trace(tmp_path / "all.jsonl")]
    assert "*IDN?" in sent[0]
    assert sum("*IDN?" in each for each in sent) == 3
    with pytest.raises(FileProblem, match="cannot be written"):
        open_bench(loaded, VoltageLimits(-0.5, 8.5), Tracing(everything_to=tmp_path)).__enter__()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_trace_that_ends_early_for_want_of_room_is_told(tmp_path):
    told = []
    full = Tracing(everything_to=Path("/dev/full"), tell=told.append)
    with open_bench(load_bench(bench_file(tmp_path)), VoltageLimits(-0.5, 8.5), full):
        pass
    assert told == ["The trace /dev/full ends early (No space left on device): make room and try again."]


def test_a_file_that_is_no_trace_ends_with_one_sentence(tmp_path):
    assert "is not a trace" in one_sentence(rig("bench", "trace", str(bench_file(tmp_path)), folder=tmp_path), 2)
    assert "cannot be read" in one_sentence(rig("bench", "trace", str(tmp_path / "none"), folder=tmp_path), 2)


def test_a_time_base_that_is_off_is_caught_by_the_reference_unit_which_one_counter_cannot_do(tmp_path, monkeypatch):
    # 0.2 % are 3.5 cents in every note alike: nothing in a visit says so, the reference unit does
    monkeypatch.setenv("RIG_DATABASE_URL", f"sqlite:///{tmp_path}/record.sqlite")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    path = bench_file(tmp_path, link="direct")
    steady = path.read_text() + '\n[reference]\nserial = "REF-1"\n'
    off = '\n[[virtual.trouble]]\nrole = "counter"\nkind = "time base off"\nmessage = 1\nmessages = 1000000\n'
    path.write_text(steady)
    first = CliRunner().invoke(app, ["bench", "verify", "REF-1", "--bench", str(path)])
    assert first.exit_code == 0, first.output
    path.write_text(steady + off)
    moved = CliRunner().invoke(app, ["bench", "verify", "REF-1", "--bench", str(path)])
    assert moved.exit_code == 3, moved.output
    assert "The bench has moved against its history" in moved.output
    assert "Base pitch" in moved.output.splitlines()[-1]
