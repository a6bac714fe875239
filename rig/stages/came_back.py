"""A unit that left before is back: ask why, once; after the as-found sweep say what has changed and why that may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from db import history, queries, returns
from db.errors import NotFound
from db.questions import connection_of
from rig.returns import NothingToCompare, Reason, compare, is_back, last_left, reason_since

if TYPE_CHECKING:
    from db.engine import Database
    from db.history import UnitHistory
    from db.returned import ReturnRow
    from drivers.clock import Clock
    from rig.operators.port import Operator, Story
    from rig.product import Product
    from rig.records import Recorder
    from rig.returns import CameBack

REASONS = tuple(each.value for each in Reason)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known before the first measurement of a unit: whether it is back, and what is still to be entered."""

    back: bool
    story: Story | None = None


def ask_why(database: Database, clock: Clock, operator: Operator, serial: str, story: Story | None) -> Asked:
    """Ask why a unit is back, unless that was entered since it left; a unit that never left is not asked for.

    :param story: what was said with the order to measure it; None for nothing.
    """
    recorded = _recorded(database, serial)
    with database.reading() as session:
        known = None if recorded is None else reason_since(session, recorded.unit_id, last_left(recorded))
    back = is_back(recorded, clock.utc(), entered=known is not None or story is not None)
    if known is not None and story is None:
        operator.tell(f"It came back because: {spoken(known)}.")
        return Asked(back)
    if back and story is None:
        return Asked(back, operator.why_returned(serial, REASONS))
    return Asked(back, story)


def enter_why(database: Database, clock: Clock, asked: Asked, serial: str, who: str) -> None:
    """Enter what was said; the unit is in the record by now, also one that was never seen before."""
    if asked.story is None:
        return
    with database.session() as session:
        returns.add_return(
            session,
            queries.unit_by_serial(session, serial).id,
            reason=asked.story.reason,
            complaint=asked.story.complaint,
            who=who,
            received_utc=clock.utc(),
        )


def tell_what_changed(recorder: Recorder, operator: Operator, product: Product, serial: str) -> CameBack | None:
    """Say what has changed since the unit left, and keep what is suspected; None where there is nothing to compare."""
    with recorder.database.reading() as session:
        try:
            made = compare(session, product, serial, recorder.visit_id)
        except NothingToCompare:
            return None
    rows = [
        returns.SuspicionRow(
            each.oscillator, rank, made.shipped.visit_id, named.suspect, named.probability, named.sentence
        )
        for each in made.oscillators
        if each.oscillator == recorder.oscillator
        for rank, named in enumerate(each.suspects)
    ]
    with recorder.database.session() as session:
        returns.add_suspicions(session, recorder.visit_id, rows)
    moved = [each for each in made.differences if each.moved]
    names = ", ".join(each.characteristic.replace("_", " ") for each in moved)
    changed = f"Changed since it left by more than the uncertainty: {names}." if names else "Nothing has changed since."
    operator.tell(f"It left on {made.shipped.started_utc.astimezone():%Y-%m-%d}. {changed}")
    for sentence in made.sentences:
        operator.tell(sentence)
    return made


def spoken(reason: ReturnRow) -> str:
    """Reason and complaint in a few words."""
    return f"{reason.reason} ({reason.complaint})" if reason.complaint else reason.reason


def _recorded(database: Database, serial: str) -> UnitHistory | None:
    with database.reading() as session:
        try:
            queries.unit_by_serial(session, serial)
        except NotFound:
            return None
        return history.history(connection_of(session), serial)
