"""Short form of the figure: programs killed in visits; the long form is ``python -m tests.benchmarks.kills``."""

from tests.benchmarks.kills.bench import served_place
from tests.benchmarks.kills.trials import Forked, Series


def test_killed_programs_leave_their_record_whole_and_the_next_start_makes_the_source_safe(tmp_path):
    with served_place(tmp_path, seed=1) as place:
        series = Series(place, seed=3, start=Forked)
        result = series.run(3)
    assert result.faults == []
    assert result.wrong == []
    assert result.kills == 3
    assert result.left_on == len(result.safe_after_s) > 0
    assert result.rows > 50
