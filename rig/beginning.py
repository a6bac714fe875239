"""A visit begun in the record, or gone on with after it was interrupted; bench and instruments entered where new."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from importlib.metadata import version
from typing import TYPE_CHECKING

from db import models, queries
from rig.bench_lock import runs_now
from rig.conditions import room_now
from rig.errors import BenchBusy
from rig.records import Recorder
from rig.visit_setup import condition_row, setup_rows

if TYPE_CHECKING:
    from collections.abc import Mapping
    from uuid import UUID

    from sqlalchemy.orm import Session

    from db.engine import Database
    from db.people import Standing
    from drivers.clock import Clock
    from rig.bench import Bench, BenchFile
    from rig.conditions import Room
    from rig.product import Product
    from rig.science.characterisation import CvCorrection
    from rig.tomlfile import Loaded

RESUMABLE = timedelta(hours=12)
"""A visit that lay open for longer is begun anew: nobody knows what became of the unit meanwhile."""


def software_version() -> str:
    """Version of the installed distribution."""
    return version("trimrig")


@dataclass(frozen=True, slots=True)
class BenchRecords:
    """What the database knows of a bench: its revision, its instruments, the characterisation of its source."""

    database: Database
    clock: Clock
    file: BenchFile
    revision_id: UUID
    instruments: Mapping[str, UUID]


def bench_records(database: Database, bench: Bench, loaded: Loaded[BenchFile]) -> BenchRecords:
    """Enter bench revision and instruments, where they are new."""
    with database.session() as session:
        revision = queries.get_or_add_bench_revision(
            session, bench_name=bench.file.bench.name, toml_text=loaded.text, at_utc=bench.clock.utc()
        )
        instruments = {
            role: queries.get_or_add_instrument(
                session,
                maker=bench.sessions[role].identity.maker,
                model=bench.sessions[role].identity.model,
                serial=bench.sessions[role].identity.serial,
                firmware=bench.sessions[role].identity.firmware,
            ).id
            for role in bench.sessions
        }
    return BenchRecords(database, bench.clock, bench.file, revision.id, instruments)


@dataclass(frozen=True, slots=True)
class Wanted:
    """The visit that is wanted: of which unit, by whom, what for."""

    serial: str
    batch: str
    operator: str
    purpose: str
    ambient_c: float | None
    seed: int | None
    room: Room | None = None
    standing: Standing | None = None


def begin_visit(
    records: BenchRecords, product: Loaded[Product], bench: Bench, line: CvCorrection, wanted: Wanted
) -> Recorder:
    """Enter unit and visit; or go on with a visit of this unit that was interrupted on this bench.

    What else lay open of this unit is ended as stopped; its points stay.

    :raises BenchBusy: another program measures this unit now.
    """
    now = bench.clock.utc()
    contents = product.contents
    with records.database.session() as session:
        revision = queries.get_or_add_product_revision(
            session, product_name=contents.product.name, toml_text=product.text, at_utc=now
        )
        unit = queries.get_or_add_unit(
            session, serial=wanted.serial, product_id=revision.product_id, batch_code=wanted.batch
        )
        resumed = None
        require_not_measured_now(session, wanted.serial)
        for lying in queries.open_visits_of(session, wanted.serial):
            same = (lying.product_revision_id, lying.bench_revision_id, lying.purpose) == (
                revision.id,
                records.revision_id,
                wanted.purpose,
            )
            if resumed is None and same and abs(now - lying.started_utc) <= RESUMABLE:
                resumed = lying
                continue
            queries.close_visit(
                session,
                lying.visit_id,
                reason=_cannot_go_on(lying, wanted, revision.id, records.revision_id),
                closed_by=wanted.operator,
                closed_utc=now,
            )
        again = partial(room_now, bench, None)
        if resumed is not None:
            session.add(condition_row(resumed.visit_id, "resumed", wanted.room, line, now))
            return Recorder(
                records.database,
                bench.clock,
                line,
                resumed.visit_id,
                sweeps=resumed.sweeps,
                moves=resumed.moves,
                resumed=True,
                room_now=again,
            )
        visit = models.Visit(
            unit_id=unit.id,
            product_revision_id=revision.id,
            bench_revision_id=records.revision_id,
            operator=wanted.operator,
            purpose=wanted.purpose,
            software_version=software_version(),
            started_utc=now,
            ambient_c=wanted.ambient_c,
            demonstration=contents.product.demonstration or bench.file.bench.demonstration,
            seed=wanted.seed,
        )
        session.add(visit)
        session.flush()
        session.add_all(setup_rows(session, visit.id, bench, records.instruments))
        session.add(condition_row(visit.id, "start", wanted.room, line, now))
        if wanted.standing is not None:
            session.add(
                models.VisitAuthority(
                    visit_id=visit.id,
                    authority=wanted.standing.authority,
                    product_signature_id=wanted.standing.signature_id,
                )
            )
    return Recorder(records.database, bench.clock, line, visit.id, room_now=again)


def require_not_measured_now(session: Session, serial: str) -> None:
    """See that no other program measures a unit.

    :raises BenchBusy: one does, and which.
    """
    for lying in queries.open_visits_of(session, serial):
        holder = runs_now(lying.visit_id)
        if holder:
            raise BenchBusy(f"Unit {serial} is being measured now, in {holder}: end that first.")


def _cannot_go_on(lying: queries.OpenVisit, wanted: Wanted, product_revision_id: UUID, bench_revision_id: UUID) -> str:
    """Why a visit that lies open does not go on with the visit that is wanted now."""
    if lying.purpose != wanted.purpose:
        return f"begun anew to {wanted.purpose}"
    if lying.product_revision_id != product_revision_id:
        return "begun anew: the product file was changed meanwhile"
    if lying.bench_revision_id != bench_revision_id:
        return "begun anew on another bench, or its bench file was changed meanwhile"
    return f"begun anew: it lay open for more than {RESUMABLE.total_seconds() / 3600.0:g} hours, or a later one goes on"
