"""Which bench has which unit at this moment: claims on the server, which expire when nobody renews them.

Times are the server's own, so that benches need not agree on theirs. A bench that died leaves a claim that runs out in
minutes; a new run of the same bench need not wait for that.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from db.errors import UnitHeld
from db.models import UnitClaim, new_key

LASTS = timedelta(minutes=3)
RENEWED_EVERY = timedelta(seconds=45)


@dataclass(frozen=True, slots=True)
class Claim:
    """A unit on a bench; ``run`` tells one visit from the next."""

    run: UUID
    serial: str
    bench: str
    operator: str


def claim(session: Session, *, serial: str, bench: str, operator: str) -> Claim:
    """Take a unit to a bench.

    :raises UnitHeld: another bench has it, by a claim that has not expired.
    """
    now = _server_time(session)
    held = session.scalar(
        select(UnitClaim).where(UnitClaim.serial == serial).order_by(UnitClaim.made_utc.desc(), UnitClaim.id.desc())
    )
    if held is not None and held.expires_utc > now and held.bench != bench:
        minutes = max(1, round((now - held.made_utc).total_seconds() / 60.0))
        raise UnitHeld(
            f"Unit {serial} is on {held.bench} with {held.operator} at this moment (seen there {minutes} min ago or "
            f"less): finish it there, or wait until {held.expires_utc:%H:%M} UTC if that bench has died."
        )
    taken = Claim(new_key(), serial, bench, operator)
    _enter(session, taken, now, now + LASTS)
    return taken


def renew(session: Session, taken: Claim) -> None:
    """Say that the unit is still there.

    :raises UnitHeld: the claim ran out meanwhile and another bench has taken the unit.
    """
    now = _server_time(session)
    last = session.scalar(
        select(UnitClaim)
        .where(UnitClaim.serial == taken.serial)
        .order_by(UnitClaim.made_utc.desc(), UnitClaim.id.desc())
    )
    if last is not None and last.run != taken.run and last.expires_utc > now:
        raise UnitHeld(
            f"Unit {taken.serial} was taken by {last.bench} ({last.operator}) while this bench had lost the server: "
            "find out where it is; both visits are kept."
        )
    _enter(session, taken, now, now + LASTS)


def release(session: Session, taken: Claim) -> None:
    """Let the unit go; a claim that another bench has taken over stays as it is."""
    now = _server_time(session)
    last = session.scalar(
        select(UnitClaim)
        .where(UnitClaim.serial == taken.serial)
        .order_by(UnitClaim.made_utc.desc(), UnitClaim.id.desc())
    )
    if last is not None and last.run == taken.run:
        _enter(session, taken, now, now)


def _enter(session: Session, taken: Claim, now: datetime, expires: datetime) -> None:
    session.add(
        UnitClaim(
            run=taken.run,
            serial=taken.serial,
            bench=taken.bench,
            operator=taken.operator,
            made_utc=now,
            expires_utc=expires,
        )
    )
    session.flush()


def _server_time(session: Session) -> datetime:
    """The time on the server at this moment, after the write lock was waited for."""
    moment: datetime = session.execute(select(func.clock_timestamp())).scalar_one()
    return moment
