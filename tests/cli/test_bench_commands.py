"""rig bench find, check and trace, as a person types them, on virtual instruments over real links."""

from __future__ import annotations

import json
import tomllib

import pytest

from drivers.virtual.links.sockets import SocketLink
from fixtures import demonstration_bench
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
    tmp_path, link, personalities, channel, level
):
    source, meter, counter = personalities
    path = bench_file(tmp_path, link=link, source=source, meter=meter, counter=counter, **channel)
    asked = rig("bench", "check", str(path), folder=tmp_path)
    assert asked.returncode == 0, asked.stdout + asked.stderr
    assert "Every role is filled." in asked.stdout
    profile = tomllib.loads((tmp_path / "bench.profile.toml").read_text())
    assert profile["source"]["dialect"]["set_voltage"] == level
    outcome = rig("check", SERIAL, "--bench", str(path), "--json", folder=tmp_path)
    standard = rig("check", SERIAL, "--json", folder=tmp_path)
    assert outcome.returncode == standard.returncode, outcome.stderr
    verdicts = [json.loads(each.stdout)["verdict"]["decision"] for each in (outcome, standard)]
    assert verdicts[0] == verdicts[1]


def test_without_its_profile_such_a_bench_is_refused_in_one_sentence(tmp_path):
    path = bench_file(tmp_path, source="list", channel=2)
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert "-109 Missing parameter" in complaint


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


def test_another_instrument_than_the_one_that_was_asked_is_noticed(tmp_path):
    path = bench_file(tmp_path)
    assert rig("bench", "check", str(path), folder=tmp_path).returncode == 0
    profile = tmp_path / "bench.profile.toml"
    profile.write_text(profile.read_text().replace('model = "voltmeter"', 'model = "older voltmeter"'))
    complaint = one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 3)
    assert "ask it again with rig bench check" in complaint


@pytest.mark.parametrize(
    ("was", "becomes", "what"),
    [
        ('set_voltage = "SOUR:VOLT {voltage}"', 'set_voltage = "SOUR:VOLT {volts}"', "names in braces may be"),
        ('set_voltage = "SOUR:VOLT {voltage}"', 'set_voltage = "SOUR:VOLT {voltage}\\n*RST"', "printable ASCII"),
        ("joins = true", 'joins = "sometimes"', "source.link.joins"),
        ('line_end = "LF"', 'line_end = "ETX"', "source.line_end"),
        ("[source]", "[sauce]", "sauce"),
        ("[source]", "[source", "not valid TOML"),
    ],
)
def test_a_profile_changed_to_nonsense_is_refused_by_its_field(tmp_path, was, becomes, what):
    path = bench_file(tmp_path)
    assert rig("bench", "check", str(path), folder=tmp_path).returncode == 0
    profile = tmp_path / "bench.profile.toml"
    profile.write_text(profile.read_text().replace(was, becomes, 1))
    assert what in one_sentence(rig("check", SERIAL, "--bench", str(path), folder=tmp_path), 2)
    # asking again mends it
    assert rig("bench", "check", str(path), folder=tmp_path).returncode == 0
    assert rig("check", SERIAL, "--bench", str(path), folder=tmp_path).returncode in {0, 1}


def test_a_bench_file_where_nobody_may_write_says_so(tmp_path):
    path = bench_file(tmp_path)
    (tmp_path / "bench.profile.toml.part").mkdir()
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
    assert "SOUR:VOLT" not in outcome.stdout
    first = json.loads(rig("bench", "trace", str(trace), "--json", folder=tmp_path).stdout.splitlines()[0])
    assert (first["role"], first["sent"]) == ("source", "*IDN?")


def test_a_file_that_is_no_trace_ends_with_one_sentence(tmp_path):
    assert "is not a trace" in one_sentence(rig("bench", "trace", str(bench_file(tmp_path)), folder=tmp_path), 2)
    assert "cannot be read" in one_sentence(rig("bench", "trace", str(tmp_path / "none"), folder=tmp_path), 2)
