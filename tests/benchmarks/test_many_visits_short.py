"""The bench of very many visits on a handful: that it asks and stores what it says, no times."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.benchmarks import million_visits
from tests.benchmarks.many_visits import batch_code, load

UNITS = 5
"""Of the one batch that is told; the rest is copied."""


@pytest.fixture(scope="module")
def blocks_and_file(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, Path]:
    file = tmp_path_factory.mktemp("many") / "many.sqlite"
    with pytest.MonkeyPatch.context() as patch:
        # so few are no history that anybody would want to be told, but enough to be copied
        patch.setattr("rig.invented.history.LEAST_VISITS", UNITS)
        return load(file, 40, units=UNITS, say=False), file


def test_the_bench_asks_a_full_record_and_stores_into_it_as_into_an_empty_one(
    blocks_and_file: tuple[int, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
):
    blocks, file = blocks_and_file
    monkeypatch.setattr(million_visits, "STORED", 1)
    # nobody looks at how long anything takes: once is enough
    monkeypatch.setattr(million_visits, "RUNS", 1)
    monkeypatch.setattr(million_visits, "as_a_program", lambda *_: lambda: None)
    visits = million_visits.report(f"sqlite:///{file}", batch_code(blocks // 2), f"sqlite:///{tmp_path}/empty.sqlite")
    said = capsys.readouterr().out
    assert visits >= 40
    assert said.startswith(f"{visits} visits")
    commits = re.search(r"storing a visit \((\d+) commits\): ([\d.]+) s against ([\d.]+) s", said)
    assert commits is not None
    assert int(commits[1]) > 10
    assert min(float(commits[2]), float(commits[3])) > 0.0
