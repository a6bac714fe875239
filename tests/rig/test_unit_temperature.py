"""What the room does to a unit, from its visits on record, against the truth of the virtual unit."""

import json
import re
from dataclasses import replace
from math import log2

import numpy as np
import pytest
from click.testing import CliRunner

from db.engine import open_database
from db.settings_history import fitted_sweeps
from rig.acquire import Acquisition
from rig.beginning import Wanted, begin_visit, bench_records
from rig.cli import app
from rig.conditions import room_now
from rig.errors import WrongInput
from rig.operators.scripted import ScriptedOperator
from rig.stages.survey import steady_sweep
from rig.unit_temperature import temperature_of_unit
from tests.straight import straight_curve

from .benches import THERMOMETER, standing, written

SERIAL = "DM26000001A"
LINE = straight_curve(0.005, 1.0005, np.zeros((2, 2)))


def measured(folder, serial, room_c, *, turned=False):
    """One visit with one full sweep of a warm unit in a room; the unit's truth at 0 V, 4 V and 8 V then, octaves."""
    file = written(
        folder / f"{room_c:g}.toml",
        unit="healthy",
        more=THERMOMETER,
        virtual=f'link = "direct"\nroom_c = {room_c}',
        tables="\n[virtual.thermometer]\n",
    )
    with standing(folder, file) as it:
        it.bench.hands.insert(serial)
        it.bench.hands.power(True)
        it.bench.source.output_on()
        it.bench.clock.sleep(3600.0)
        room = room_now(it.bench, None)
        acquisition = Acquisition(it.bench, it.product.contents, LINE, ambient_c=room.celsius)
        records = bench_records(it.database, it.bench, it.bench_file)
        recorder = begin_visit(
            records, it.product, it.bench, LINE, Wanted(serial, "2600", "test", "check", room.celsius, None, room)
        )
        steady_sweep(acquisition, ScriptedOperator(), recorder, "as_found", drift_known=True)
        if turned:
            with recorder.move("scale", 500.0, "Hz", 3.0, {}, 1.0) as made:
                made.outcome = "reached"
            steady_sweep(acquisition, ScriptedOperator(), recorder, "as_left", drift_known=True)
        recorder.end("finished")
        return [log2(it.bench.provider.truth_frequency_hz(cv_v)) for cv_v in (0.0, 1.0, 5.0)]


def sweeps_of(folder, serial):
    with open_database(f"sqlite:///{folder}/record.sqlite") as database, database.reading() as session:
        return fitted_sweeps(session, serial)


@pytest.fixture(scope="module")
def two_rooms(tmp_path_factory):
    """A unit measured at 18 and at 28 degrees: the folder of the record, and its truth in both rooms."""
    folder = tmp_path_factory.mktemp("rooms")
    return folder, measured(folder, SERIAL, 18.0), measured(folder, SERIAL, 28.0)


def test_two_visits_in_rooms_that_differ_say_what_a_kelvin_does(two_rooms):
    folder, cold, warm = two_rooms
    (found,) = temperature_of_unit(SERIAL, sweeps_of(folder, SERIAL))
    true_pitch = 1200.0 * (warm[0] - cold[0]) / 10.0
    true_scale = 1200.0 * ((warm[2] - warm[1]) - (cold[2] - cold[1])) / 4.0 / 10.0
    pitch, scale = found.coefficient.pitch, found.coefficient.scale
    assert abs(true_pitch) > 0.2
    # the unit's own slow wander is no room's doing and is on top
    assert abs(pitch.value - true_pitch) < 2.0 * pitch.standard_uncertainty + 0.02
    assert abs(scale.value - true_scale) < 2.0 * scale.standard_uncertainty + 0.005
    assert 0.0 < pitch.standard_uncertainty < 0.1
    assert found.visits == 2


def test_the_command_prints_the_coefficient_and_where_it_comes_from(two_rooms, monkeypatch):
    folder, *_ = two_rooms
    monkeypatch.setenv("RIG_DATABASE_URL", f"sqlite:///{folder}/record.sqlite")
    printed = CliRunner().invoke(app, ["temperature", SERIAL])
    assert printed.exit_code == 0
    assert re.match(
        rf"{SERIAL}: pitch [+-]\d+\.\d{{3}} ± \d\.\d{{3}} cents per kelvin at 0 V, scale .* from 2 visits in rooms of "
        r"1\d\.\d to 2\d\.\d degrees Celsius",
        printed.output,
    )
    document = json.loads(CliRunner().invoke(app, ["temperature", SERIAL, "--json"]).output)
    assert document["coefficients"][0]["coefficient"]["difference_k"] == pytest.approx(10.0, abs=0.1)


def test_rooms_too_near_say_nothing_and_why(two_rooms):
    first, second = sweeps_of(two_rooms[0], SERIAL)
    near = [first, replace(second, ambient_c=first.ambient_c + 0.5)]
    with pytest.raises(WrongInput, match=r"differ by 0\.5 K, known to 0\.2 K: too little .* measure the unit again"):
        temperature_of_unit(SERIAL, near)


def test_sweeps_by_other_instruments_or_in_rooms_that_nobody_measured_do_not_count_together(two_rooms):
    first, second = sweeps_of(two_rooms[0], SERIAL)
    for lonely in (replace(second, instruments=frozenset()), replace(second, ambient_c=None)):
        with pytest.raises(WrongInput, match="no two of them at one setting of its trims with the same instruments"):
            temperature_of_unit(SERIAL, [first, lonely])


def test_what_was_turned_in_between_is_not_put_down_to_the_room(tmp_path):
    serial = "DM26000003A"
    measured(tmp_path, serial, 18.0, turned=True)
    sweeps = sweeps_of(tmp_path, serial)
    assert [each.setting for each in sweeps] == [0, 1]
    with pytest.raises(WrongInput, match="no two of them at one setting of its trims"):
        temperature_of_unit(serial, sweeps)
    measured(tmp_path, serial, 28.0)
    (found,) = temperature_of_unit(serial, sweeps_of(tmp_path, serial))
    assert (found.visits, round(found.coldest_c), round(found.warmest_c)) == (2, 18, 28)
