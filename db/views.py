"""What the views of the schema show: each with its purpose, and each column with its kind and meaning.

The views are for any SQL tool, and what they show is kept from version to version: columns may be added. They read
the same on SQLite and PostgreSQL. The SQL of each stands in the migration that made it.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import BigInteger, ColumnClause, Double, Integer, TableClause, Text, column, table
from sqlalchemy.types import TypeEngine

from db.column_types import Identifier


class Kind(StrEnum):
    """What a column of a view holds."""

    KEY = "key"
    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole number"
    FLAG = "0 or 1"
    TIME = "time"
    MICROSECONDS = "microseconds"
    JSON = "JSON text"


_TYPES: dict[Kind, type[TypeEngine[Any]]] = {
    Kind.TEXT: Text,
    Kind.NUMBER: Double,
    Kind.WHOLE: Integer,
    Kind.FLAG: Integer,
    Kind.TIME: Text,
    Kind.MICROSECONDS: BigInteger,
    Kind.JSON: Text,
}


@dataclass(frozen=True, slots=True)
class ViewColumn:
    """One column of a view."""

    name: str
    kind: Kind
    meaning: str


@dataclass(frozen=True, slots=True)
class View:
    """One view."""

    name: str
    purpose: str
    columns: tuple[ViewColumn, ...]

    def clause(self) -> TableClause:
        """The view as SQLAlchemy asks it."""
        columns: list[ColumnClause[Any]] = [
            column(each.name, Identifier() if each.kind is Kind.KEY else _TYPES[each.kind]()) for each in self.columns
        ]
        return table(self.name, *columns)


def _time(name: str, meaning: str) -> tuple[ViewColumn, ViewColumn]:
    return (
        ViewColumn(f"{name}_utc", Kind.TIME, f"{meaning}: ISO 8601, UTC, to the microsecond"),
        ViewColumn(f"{name}_unix_us", Kind.MICROSECONDS, f"{meaning}: microseconds since 1970-01-01 UTC"),
    )


def _text(name: str, meaning: str) -> ViewColumn:
    return ViewColumn(name, Kind.TEXT, meaning)


def _number(name: str, meaning: str) -> ViewColumn:
    return ViewColumn(name, Kind.NUMBER, meaning)


def _whole(name: str, meaning: str) -> ViewColumn:
    return ViewColumn(name, Kind.WHOLE, meaning)


KEYS = (
    ViewColumn("visit_key", Kind.KEY, "the visit as the database keys it: join views by this column, it is quick"),
    _text("visit_id", "the visit as slips and records print it"),
)
UNIT = (
    _text("serial", "serial of the unit"),
    _text("product", "name of the product"),
    _text("batch", "batch of the unit; empty where it is not known"),
)
DEMONSTRATION = ViewColumn("demonstration", Kind.FLAG, "1 where product or bench are invented")
DECISION = _text("decision", "pass, conditional pass, conditional fail, fail, no decision")
CORRECTED = ViewColumn("corrected", Kind.FLAG, "1 where this verdict took the place of an earlier one")

VISITS = View(
    "v_visit",
    "one row a visit, with the verdict that stands",
    (
        *KEYS,
        *UNIT,
        _text("bench", "name of the bench"),
        _text("operator", "who stood at the bench"),
        _text("purpose", "adjust, check or what else the visit was for"),
        _text("software_version", "version that measured"),
        *_time("started", "scan"),
        *_time("ended", "end of the visit; empty while it lasts"),
        _number("duration_s", "seconds from scan to end"),
        _text("outcome", "finished, stopped or failed: how the visit went, not what was decided"),
        DECISION,
        _text("reason", "why it was decided so"),
        CORRECTED,
        _number("ambient_c", "room temperature in degrees Celsius, where it was known"),
        DEMONSTRATION,
    ),
)
UNITS = View(
    "v_unit_latest",
    "one row a unit, with its latest visit; units that were never on a bench are there with empty columns",
    (
        *UNIT,
        *KEYS,
        _text("purpose", "adjust, check or what else the visit was for"),
        *_time("started", "scan"),
        _text("outcome", "finished, stopped or failed"),
        DECISION,
        _text("reason", "why it was decided so"),
        _whole("visits", "how many visits the unit had"),
    ),
)
VERDICTS = View(
    "v_verdict_standing",
    "one row a verdict as it stands after all corrections",
    (
        *KEYS,
        *UNIT,
        DECISION,
        _text("reason", "why it was decided so"),
        ViewColumn("causes", Kind.JSON, "likely causes, a list of sentences"),
        CORRECTED,
        *_time("created", "when it was given"),
        DEMONSTRATION,
    ),
)
FINDINGS = View(
    "v_finding_standing",
    "one row a characteristic of a visit, as found and as left, as it stands after all corrections",
    (
        *KEYS,
        *UNIT,
        _text("phase", "as_found or as_left"),
        _text("characteristic", "what was judged, for instance scale_error"),
        _number("value", "what was found, in the column unit"),
        _text("unit", "unit of value, uncertainty, limits and bounds"),
        _number("expanded_uncertainty", "U"),
        _number("coverage_probability", "probability that U stands for"),
        _number("lower_limit", "permitted at least"),
        _number("upper_limit", "permitted at most"),
        _number("bound_low", "value less what the uncertainty allows"),
        _number("bound_high", "value and what the uncertainty allows"),
        _text("rule", "decision rule"),
        DECISION,
        _text("note", "where, or why it was corrected"),
        _whole("revision", "0 as first made; one higher with each correction"),
        *_time("created", "when it was made"),
        DEMONSTRATION,
    ),
)
MOVES = View(
    "v_move",
    "one row an adjustment of a trim",
    (
        *KEYS,
        *UNIT,
        _whole("sequence", "order within the visit, from 0"),
        _text("trim", "which trim was turned"),
        _number("target_value", "reading at which to stop"),
        _text("target_unit", "unit of target and readings"),
        _number("held_cv_v", "control voltage held meanwhile, V"),
        ViewColumn("controls", Kind.JSON, "where switch and knob stood"),
        _number("turns_estimate", "turns that were advised, clockwise positive"),
        _number("reading_before", "reading before the move"),
        _number("reading_after", "reading after the move"),
        _text("outcome", "how the move ended"),
        *_time("started", "begin of the move"),
        _number("duration_s", "seconds that it took"),
        DEMONSTRATION,
    ),
)
POINTS = View(
    "v_point",
    "one row a measured point",
    (
        *KEYS,
        *UNIT,
        _whole("sweep", "order of the sweep within the visit, from 0"),
        _text("purpose", "as_found, after_move, as_left or what else the sweep was for"),
        ViewColumn("controls", Kind.JSON, "where switch and knob stood"),
        _whole("point", "order within the sweep, from 0"),
        _number("cv_programmed_v", "control voltage as programmed, V"),
        _number("cv_v", "control voltage at the jack, V"),
        _number("cv_standard_uncertainty_v", "its standard uncertainty, V"),
        _number("read_back_v", "what the source said that it puts out, V"),
        _number("frequency_hz", "frequency, Hz"),
        _number("relative_standard_uncertainty", "its relative standard uncertainty, random part"),
        _number("gate_s", "gate time, s"),
        _number("elapsed_s", "seconds since the sweep began"),
        *_time("taken", "when it was read"),
        _whole("readings_count", "readings that were averaged"),
        ViewColumn("revisit", Kind.FLAG, "1 where the voltage was visited again to see the drift"),
        DEMONSTRATION,
    ),
)
YIELDS = View(
    "v_yield_by_batch",
    "one row a batch: how many of its units passed at their first verdict, and by now; pass and conditional pass count",
    (
        _text("product", "name of the product"),
        _text("batch", "batch"),
        DEMONSTRATION,
        _whole("units", "units with a verdict"),
        _whole("judged_visits", "visits with a verdict"),
        _whole("passed_first", "units that passed in their first judged visit"),
        _number("first_pass_yield", "their share of the units"),
        _whole("passed_last", "units that passed in their latest judged visit"),
        _number("final_yield", "their share of the units"),
    ),
)
MOVES_PER_TRIM = View(
    "v_moves_per_trim",
    "one row a trim of a batch: how often it was turned; one that was left alone was not",
    (
        _text("product", "name of the product"),
        _text("batch", "batch"),
        _text("trim", "which trim was turned"),
        DEMONSTRATION,
        _whole("visits", "visits in which it was turned"),
        _whole("moves", "moves in all"),
        _number("moves_per_visit", "moves in a visit in which it was turned, mean"),
        _number("mean_turns", "turns that were advised, whichever way, mean"),
    ),
)
RETURNS = View(
    "v_return",
    "one row a time that a unit came back",
    (
        ViewColumn("return_key", Kind.KEY, "the return as the database keys it"),
        _text("return_id", "the return as text"),
        *UNIT,
        _text("reason", "why: out of tune, drifts, noisy or what else is asked"),
        _text("complaint", "what its owner says; empty where nobody asked"),
        _text("who", "who entered it"),
        *_time("received", "when it was entered"),
    ),
)
REPAIRS = View(
    "v_repair",
    "one row a repair of a unit",
    (
        ViewColumn("repair_key", Kind.KEY, "the repair as the database keys it"),
        _text("repair_id", "the repair as text"),
        *UNIT,
        ViewColumn("parts", Kind.JSON, "parts that were replaced, a list of names"),
        _text("note", "what was done"),
        _text("who", "who did it"),
        *_time("done", "when it was entered"),
    ),
)
CAUSES = View(
    "v_cause",
    "one row a likely cause that a verdict names, of verdicts as they stand after all corrections",
    (
        *KEYS,
        *UNIT,
        _whole("place", "order within the verdict, from 0"),
        _text("cause", "the cause, a sentence"),
        DECISION,
        *_time("created", "when the verdict was given"),
        DEMONSTRATION,
    ),
)
VIEWS = (VISITS, UNITS, VERDICTS, FINDINGS, MOVES, POINTS, YIELDS, MOVES_PER_TRIM, RETURNS, REPAIRS, CAUSES)
