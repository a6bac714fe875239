"""Views that any SQL tool can ask, one for each thing that people want to know.

What each is for and what its columns mean stands in ``db/views.py``. A view is never altered: a later revision that
changes one drops it and makes it anew, and so does one that changes a column which a view shows.
"""

from alembic import op

revision = "r0008"
down_revision = "r0007"
branch_labels = None
depends_on = None

PASSED = "('pass', 'conditional pass')"

UNIT = "u.serial AS serial, p.name AS product, u.batch_code AS batch"
OF_VISIT = "JOIN unit u ON u.id = v.unit_id JOIN product p ON p.id = u.product_id"
DEMONSTRATION_VALUE = "CASE WHEN v.demonstration THEN 1 ELSE 0 END"
DEMONSTRATION = f"{DEMONSTRATION_VALUE} AS demonstration"
STANDING_VERDICT = "NOT EXISTS (SELECT 1 FROM verdict later WHERE later.corrects_verdict_id = d.id)"
FIRST_JUDGED, LAST_JUDGED = (
    f"""CASE WHEN d.decision IN {PASSED} AND NOT EXISTS (
        SELECT 1 FROM visit other JOIN verdict judged ON judged.visit_id = other.id WHERE other.unit_id = v.unit_id
        AND (other.started_utc {sign} v.started_utc OR (other.started_utc = v.started_utc AND other.id {sign} v.id)))
        THEN 1 ELSE 0 END"""
    for sign in ("<", ">")
)
"""1 for a visit that passed and was the first (the last) of its unit that came to a verdict."""


def text_of_key(dialect: str, column: str) -> str:
    """A key as people write it: hexadecimal digits in five groups (RFC 9562, section 4)."""
    if dialect != "sqlite":
        return f"CAST({column} AS TEXT)"
    digits = f"lower(hex({column}))"
    groups = ((1, 8), (9, 4), (13, 4), (17, 4), (21, 12))
    return " || '-' || ".join(f"substr({digits}, {start}, {length})" for start, length in groups)


def time_twice(dialect: str, column: str, name: str) -> str:
    """A moment twice: as text by ISO 8601 in UTC, and as whole microseconds since 1970."""
    if dialect == "sqlite":
        text = f"strftime('%Y-%m-%dT%H:%M:%S', {column} / 1000000, 'unixepoch') || printf('.%06dZ', {column} % 1000000)"
        number = column
    else:
        text = f"""to_char({column} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"""
        number = f"CAST(ROUND(EXTRACT(EPOCH FROM {column}) * 1000000) AS BIGINT)"
    return f"{text} AS {name}_utc, {number} AS {name}_unix_us"


def _seconds(dialect: str, first: str, last: str) -> str:
    """Seconds from one moment to another."""
    if dialect == "sqlite":
        return f"({last} - {first}) / 1000000.0"
    return f"CAST(EXTRACT(EPOCH FROM {last} - {first}) AS DOUBLE PRECISION)"


def statements(dialect: str) -> dict[str, str]:
    """Name and SELECT of every view, in the order in which they can be made."""
    keys = f"v.id AS visit_key, {text_of_key(dialect, 'v.id')} AS visit_id"
    return {
        "v_visit": f"""
            SELECT {keys}, {UNIT}, b.name AS bench, v.operator AS operator, v.purpose AS purpose,
                v.software_version AS software_version, {time_twice(dialect, "v.started_utc", "started")},
                {time_twice(dialect, "v.ended_utc", "ended")},
                {_seconds(dialect, "v.started_utc", "v.ended_utc")} AS duration_s, v.outcome AS outcome,
                d.decision AS decision, d.reason AS reason,
                CASE WHEN d.corrects_verdict_id IS NOT NULL THEN 1 ELSE 0 END AS corrected,
                v.ambient_c AS ambient_c, {DEMONSTRATION}
            FROM visit v {OF_VISIT}
            JOIN bench_revision r ON r.id = v.bench_revision_id JOIN bench b ON b.id = r.bench_id
            LEFT JOIN verdict d ON d.visit_id = v.id AND {STANDING_VERDICT}
        """,
        "v_unit_latest": f"""
            SELECT {UNIT}, {keys}, v.purpose AS purpose, {time_twice(dialect, "v.started_utc", "started")},
                v.outcome AS outcome, d.decision AS decision, d.reason AS reason,
                (SELECT COUNT(*) FROM visit every WHERE every.unit_id = u.id) AS visits
            FROM unit u JOIN product p ON p.id = u.product_id
            LEFT JOIN visit v ON v.unit_id = u.id AND NOT EXISTS (
                SELECT 1 FROM visit later WHERE later.unit_id = v.unit_id
                AND (later.started_utc > v.started_utc OR (later.started_utc = v.started_utc AND later.id > v.id)))
            LEFT JOIN verdict d ON d.visit_id = v.id AND {STANDING_VERDICT}
        """,
        "v_verdict_standing": f"""
            SELECT {keys}, {UNIT}, d.decision AS decision, d.reason AS reason, d.causes AS causes,
                CASE WHEN d.corrects_verdict_id IS NOT NULL THEN 1 ELSE 0 END AS corrected,
                {time_twice(dialect, "d.created_utc", "created")}, {DEMONSTRATION}
            FROM verdict d JOIN visit v ON v.id = d.visit_id {OF_VISIT}
            WHERE {STANDING_VERDICT}
        """,
        "v_finding_standing": f"""
            SELECT {keys}, {UNIT}, f.phase AS phase, f.characteristic AS characteristic, f.value AS value,
                f.unit AS unit, f.expanded_uncertainty AS expanded_uncertainty,
                f.coverage_probability AS coverage_probability, f.lower_limit AS lower_limit,
                f.upper_limit AS upper_limit, f.bound_low AS bound_low, f.bound_high AS bound_high, f.rule AS rule,
                f.decision AS decision, f.note AS note, f.revision AS revision,
                {time_twice(dialect, "f.created_utc", "created")}, {DEMONSTRATION}
            FROM finding f JOIN visit v ON v.id = f.visit_id {OF_VISIT}
            WHERE NOT EXISTS (
                SELECT 1 FROM finding later WHERE later.visit_id = f.visit_id AND later.phase = f.phase
                AND later.characteristic = f.characteristic AND later.revision > f.revision)
        """,
        "v_move": f"""
            SELECT {keys}, {UNIT}, m.sequence AS sequence, m.trim AS trim, m.target_value AS target_value,
                m.target_unit AS target_unit, m.held_cv_v AS held_cv_v, m.controls AS controls,
                m.turns_estimate AS turns_estimate, m.reading_before AS reading_before,
                m.reading_after AS reading_after, m.outcome AS outcome,
                {time_twice(dialect, "m.started_utc", "started")}, {_seconds(dialect, "m.started_utc", "m.ended_utc")}
                AS duration_s, {DEMONSTRATION}
            FROM move m JOIN visit v ON v.id = m.visit_id {OF_VISIT}
        """,
        "v_point": f"""
            SELECT {keys}, {UNIT}, s.sequence AS sweep, s.purpose AS purpose, s.controls AS controls,
                o.point_index AS point, o.cv_programmed_v AS cv_programmed_v, o.cv_v AS cv_v,
                o.cv_standard_uncertainty_v AS cv_standard_uncertainty_v, o.read_back_v AS read_back_v,
                o.frequency_hz AS frequency_hz, o.relative_standard_uncertainty AS relative_standard_uncertainty,
                o.gate_s AS gate_s, o.elapsed_s AS elapsed_s, {time_twice(dialect, "o.taken_utc", "taken")},
                o.readings_count AS readings_count, CASE WHEN o.revisit THEN 1 ELSE 0 END AS revisit, {DEMONSTRATION}
            FROM point o JOIN sweep s ON s.id = o.sweep_id JOIN visit v ON v.id = s.visit_id {OF_VISIT}
        """,
        "v_yield_by_batch": f"""
            SELECT p.name AS product, u.batch_code AS batch, {DEMONSTRATION}, COUNT(DISTINCT u.id) AS units,
                COUNT(*) AS judged_visits, SUM({FIRST_JUDGED}) AS passed_first,
                CAST(SUM({FIRST_JUDGED}) AS DOUBLE PRECISION) / COUNT(DISTINCT u.id) AS first_pass_yield,
                SUM({LAST_JUDGED}) AS passed_last,
                CAST(SUM({LAST_JUDGED}) AS DOUBLE PRECISION) / COUNT(DISTINCT u.id) AS final_yield
            FROM visit v {OF_VISIT} JOIN verdict d ON d.visit_id = v.id AND {STANDING_VERDICT}
            GROUP BY p.name, u.batch_code, {DEMONSTRATION_VALUE}
        """,
        "v_moves_per_trim": f"""
            SELECT p.name AS product, u.batch_code AS batch, m.trim AS trim,
                {DEMONSTRATION}, COUNT(DISTINCT v.id) AS visits, COUNT(*) AS moves,
                CAST(COUNT(*) AS DOUBLE PRECISION) / COUNT(DISTINCT v.id) AS moves_per_visit,
                AVG(ABS(m.turns_estimate)) AS mean_turns
            FROM move m JOIN visit v ON v.id = m.visit_id {OF_VISIT}
            GROUP BY p.name, u.batch_code, m.trim, {DEMONSTRATION_VALUE}
        """,
    }


def upgrade() -> None:
    for name, select in statements(op.get_bind().dialect.name).items():
        op.execute(f"CREATE VIEW {name} AS {' '.join(select.split())}")
