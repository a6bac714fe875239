"""Benches on which instruments fill several roles, from their file through asking to a visit, over real sockets."""

import hashlib
from math import log2
from types import SimpleNamespace

import pytest
from sqlalchemy import select

from db import models
from rig.acquire import Acquisition
from rig.bench_check import check_bench
from rig.bench_profile import load_profile
from rig.bench_roles import ThermometerRole
from rig.conditions import room_now
from rig.errors import BenchProblem, FileProblem
from rig.visit import Purpose
from tests.straight import straight_curve

from .benches import CV_METER, THERMOMETER, standing, written

COUNTS = [('resource = "{counter}"', 'same_as = "meter"')]
PROBE = THERMOMETER.replace('resource = "{thermometer}"', 'same_as = "meter"\nkind = "platinum"')


def tell_nobody(_each):
    pass


@pytest.fixture(scope="module")
def visited(tmp_path_factory):
    """A meter that counts and reads a probe, asked, and a unit checked with it and a second meter on the CV."""
    folder = tmp_path_factory.mktemp("shared")
    tables = '\n[virtual.meter]\npersonality = "counting"\n[virtual.cv_meter]\n'
    file = written(
        folder / "bench.toml",
        unit="healthy",
        more=CV_METER + PROBE,
        virtual="room_c = 27.5",
        tables=tables,
        changed=COUNTS,
    )
    asked = check_bench(file, tell_nobody)
    with standing(folder, file) as it:
        operator, said = it.operator(), []
        operator.say = said.append
        visit = it.visit(Purpose.CHECK, operator)
        truth = it.bench.provider.truth().warm()
        with it.database.reading() as session:
            record = {
                model: session.scalars(select(model)).all()
                for model in (
                    models.VisitCondition,
                    models.VisitInstrument,
                    models.VisitInstrumentProfile,
                    models.InstrumentProfile,
                    models.Instrument,
                    models.Visit,
                )
            }
        shared = it.bench.sessions["counter"].shares_with(it.bench.sessions["meter"])
    return asked, visit, record, said, truth, shared, load_profile(file.path)


def test_asking_finds_each_role_of_an_instrument_that_has_several(visited):
    asked, *_, profile = visited
    assert asked.usable
    assert [each.role for each in asked.instruments] == ["source", "meter", "cv_meter", "counter", "thermometer"]
    assert profile.meter.model == profile.counter.model == profile.thermometer.model == "multimeter that counts"
    assert profile.thermometer.dialect.read == "MEAS:RES?"
    assert profile.source.dialect.voltage_protection_tripped == "SOUR:VOLT:PROT:TRIP?"


def test_a_unit_is_measured_rightly_by_a_meter_that_counts(visited):
    _, visit, _, _, truth, shared, _ = visited
    assert shared
    found = {each.characteristic: each for each in visit.findings}
    base_cents = 1200.0 * log2(truth.frequency_hz(0.0) / 32.703)
    assert found["base_pitch"].value == pytest.approx(base_cents, abs=1.5 * found["base_pitch"].expanded_uncertainty)
    rail = found["rail"]
    assert rail.value == pytest.approx(truth.rail_v(), abs=rail.expanded_uncertainty)


def test_the_record_has_the_room_the_instruments_and_how_they_were_spoken_to(visited):
    _, _, record, said, _, _, _ = visited
    conditions = record[models.VisitCondition]
    assert [each.moment for each in conditions] == ["start", "end"]
    for each in conditions:
        assert each.ambient_c == pytest.approx(27.5, abs=1e-3)
        assert each.ambient_standard_uncertainty_k == pytest.approx(0.3 / 3**0.5)
        assert (each.ambient_by, each.cv_by) == ("thermometer", "cv meter")
    assert record[models.Visit][0].ambient_c == pytest.approx(27.5, abs=1e-3)
    assert any(each.startswith("Room: 27.5 degrees Celsius ± 0.3 (thermometer)") for each in said)
    instruments = {each.id: each.model for each in record[models.Instrument]}
    roles = {each.role: instruments[each.instrument_id] for each in record[models.VisitInstrument]}
    assert roles["meter"] == roles["counter"] == roles["thermometer"] == "multimeter that counts"
    assert all(each.calibrated_on is not None for each in record[models.VisitInstrument])
    texts = {each.content_sha256: each.toml_text for each in record[models.InstrumentProfile]}
    spoken = {each.role: texts[each.content_sha256] for each in record[models.VisitInstrumentProfile]}
    assert set(spoken) == set(roles)
    assert 'read = "MEAS:RES?"' in spoken["thermometer"]
    # FIPS 180-4, by the standard library
    assert all(hashlib.sha256(text.encode()).hexdigest() == digest for digest, text in texts.items())


def test_a_mainframe_is_asked_slot_by_slot_and_measures(tmp_path):
    slots = [(f'resource = "{{{role}}}"', f'resource = "{{mainframe}}"\nchannel = {slot}') for slot, role in SLOTS]
    file = written(tmp_path / "bench.toml", unit="healthy", virtual="mainframe = true", changed=slots)
    asked = check_bench(file, tell_nobody)
    assert asked.usable, [each for each in asked.instruments if not getattr(each, "findings", None)]
    profile = load_profile(file.path)
    assert (profile.meter.dialect.select, profile.counter.dialect.select) == ("INST:NSEL 2", "INST:NSEL 3")
    with standing(tmp_path, file) as it:
        it.bench.hands.insert(it.serial)
        it.bench.hands.power(True)
        it.bench.source.output_on()
        acquisition = Acquisition(it.bench, it.product.contents, straight_curve(0.0, 1.0, [[0.0, 0.0], [0.0, 0.0]]))
        it.bench.meter.configure_dc(10.0, 1.0)
        pitches_hz = [acquisition.measure(cv_v, 100.0, 0.5)[1].frequency_hz for cv_v in (2.0, 3.0)]
        assert it.bench.meter.read_voltage() == pytest.approx(3.0, abs=0.02)
        assert pitches_hz[1] / pitches_hz[0] == pytest.approx(2.0, rel=0.02)
        assert len({session.resource for session in it.bench.sessions.values()}) == 1


SLOTS = ((1, "source"), (2, "meter"), (3, "counter"))


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            [('resource = "{counter}"', 'same_as = "cv_meter"')],
            "counter.same_as is 'cv_meter': name a role of this file",
        ),
        ([('resource = "{counter}"', 'same_as = "counter"')], "counter.same_as is 'counter': name a role of this file"),
        ([('resource = "{counter}"', 'resource = "{counter}"\nsame_as = "meter"')], "give resource, or same_as"),
        ([('resource = "{counter}"', 'same_as = "meter"\nline_end = "CR"')], "are those of the meter, whose link it"),
        ([('resource = "{counter}"', 'resource = "{meter}"\nline_end = "CR"')], "counter and meter are one instrument"),
        ([('resource = "{counter}"', 'same_as = "scope"')], "counter.same_as is 'scope'"),
    ],
)
def test_roles_that_share_in_a_way_that_cannot_work_are_refused_in_one_sentence(tmp_path, changed, told):
    with pytest.raises(FileProblem) as problem:
        written(tmp_path / "bench.toml", changed=changed)
    assert told in str(problem.value) or told in str(problem.value).replace("meter and counter", "counter and meter")
    assert str(problem.value).count("\n") == 0


def test_a_room_is_what_the_thermometer_says_and_a_broken_probe_is_no_room(tmp_path):
    file = written(
        tmp_path / "bench.toml",
        unit="healthy",
        more=THERMOMETER,
        virtual='link = "direct"\nroom_c = 18.0',
        tables="\n[virtual.thermometer]\nlimits_k = 0.0\n",
    )
    with standing(tmp_path, file) as it:
        room = room_now(it.bench, 19.0)
        assert (room.celsius, room.by) == (pytest.approx(18.0, abs=0.01), "thermometer")
        with pytest.raises(BenchProblem, match=r"says 18.0 degrees Celsius, and --ambient 27.0: leave --ambient out"):
            room_now(it.bench, 27.0)
        it.bench.provider.devices["thermometer"].room_c = 850.0
        with pytest.raises(BenchProblem, match="reads 850 CEL, which is no room: see to its probe"):
            room_now(it.bench, None)


class Probe:
    """A thermometer that gives what a probe gives."""

    session = SimpleNamespace(resource="probe")

    def __init__(self, reading):
        self.reading = reading

    def read(self, _unit):
        return self.reading


@pytest.mark.parametrize(
    ("fields", "reading", "celsius"),
    [
        ({}, 23.4, 23.4),
        # common practice: 10 mV for a degree, and one that gives 0.5 V at 0 degrees
        ({"kind": "voltage", "volts_per_kelvin": 0.01}, 0.234, 23.4),
        ({"kind": "voltage", "volts_per_kelvin": 0.01, "volts_at_zero": 0.5}, 0.734, 23.4),
        # IEC 60751: 107.794 ohm at 20 degrees (from memory)
        ({"kind": "platinum"}, 107.794, 20.0),
        ({"kind": "platinum", "ohm_at_zero": 1000.0}, 1077.94, 20.0),
    ],
)
def test_a_probe_is_read_by_its_sensitivity(fields, reading, celsius):
    about = ThermometerRole(resource="probe", limits_k=0.3, **fields)
    bench = SimpleNamespace(thermometer=Probe(reading), file=SimpleNamespace(thermometer=about))
    assert room_now(bench, None).celsius == pytest.approx(celsius, abs=2e-3)


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        ('kind = "voltage"\n', "volts_per_kelvin, which is not 0, belongs to kind = 'voltage'"),
        ("volts_per_kelvin = 0.01\n", "volts_per_kelvin, which is not 0, belongs to kind = 'voltage'"),
        ('kind = "mercury"\n', "thermometer.kind is 'mercury'"),
        ("limits_k = -0.3\n", "thermometer.limits_k is -0.3"),
    ],
)
def test_a_thermometer_that_cannot_be_is_refused_in_one_sentence(tmp_path, extra, told):
    table = THERMOMETER.replace("limits_k = 0.3\n", "") if "limits_k" in extra else THERMOMETER
    with pytest.raises(FileProblem) as problem:
        written(tmp_path / "bench.toml", more=table + extra)
    assert told in str(problem.value)
    assert "\n" not in str(problem.value)
