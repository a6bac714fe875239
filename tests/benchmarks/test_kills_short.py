"""Short forms of two figures: programs killed in visits, and visits one after another with random trouble.

The long forms are ``python -m tests.benchmarks.kills`` and ``python -m tests.benchmarks.soak``.
"""

from __future__ import annotations

import pytest

from tests.benchmarks.kills.bench import served_place
from tests.benchmarks.kills.trials import Forked, Series
from tests.benchmarks.soak import soak, standing

VISITS = 2


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A virtual bench in a process of its own."""
    with served_place(tmp_path_factory.mktemp("served"), seed=1) as place:
        yield place
    assert not place.address.exists()


def test_killed_programs_leave_their_record_whole_and_the_next_start_makes_the_source_safe(place):
    result = Series(place, seed=3, start=Forked).run(3)
    assert result.faults == []
    assert result.wrong == []
    assert result.kills == 3
    assert result.left_on == len(result.safe_after_s) > 0
    assert result.rows > 0


def test_visits_with_random_trouble_leave_no_thread_no_socket_and_no_file_behind(place, monkeypatch):
    for name in ("XDG_STATE_HOME", "HOME"):
        monkeypatch.setenv(name, place.environment[name])
    before = standing()
    going, shift, bench_s = soak(place, VISITS, 2)
    after = standing()
    assert sum(shift.decisions.values()) + shift.stopped + shift.faults == VISITS
    assert going.wrong == []
    assert going.unsafe == 0
    assert len({(each.threads, each.sockets) for each in going.standings[1:]}) == 1
    assert (after.threads, after.sockets) == (before.threads, before.sockets)
    assert bench_s > 600.0 * VISITS / 2.0
