"""Workshops, tokens and the answers kept for idempotency keys."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, func, insert, or_, select, update
from sqlalchemy.dialects.postgresql import insert as postgresql_insert

from service.store.prepared import Prepared
from service.store.tables import Idempotency, Lot, Supplier, Token, Workshop

WORKSHOP = Workshop.__table__  # type: ignore[attr-defined]
TOKEN = Token.__table__  # type: ignore[attr-defined]
IDEMPOTENCY = Idempotency.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
SUPPLIER = Supplier.__table__  # type: ignore[attr-defined]
FIRST = 0x5712  # the lock of whoever makes the first workshop


def workshops(connection: Connection) -> list[Row[Any]]:
    """Every workshop."""
    return list(connection.execute(select(WORKSHOP).order_by(WORKSHOP.c.id)))


def workshop(connection: Connection, id_: int) -> Row[Any]:
    """A workshop by id."""
    return connection.execute(select(WORKSHOP).where(WORKSHOP.c.id == id_)).one()


def add_workshop(connection: Connection, code: str, name: str, now: datetime) -> int:
    """A new workshop; its id is the next small number, so that keys stay short."""
    last = connection.execute(select(WORKSHOP.c.id).order_by(WORKSHOP.c.id.desc()).limit(1)).scalar() or 0
    values = {
        "id": last + 1, "code": code, "name": name, "time_zone": "UTC", "currency": "EUR",
        "week_start": "monday", "expiry_warning_days": 30, "created_at": now,
        "service_level_ppm": 950_000, "lead_time_days": 14, "capital_ppm": 100_000,
    }  # fmt: skip
    connection.execute(insert(WORKSHOP), values)
    return last + 1


def change_workshop(connection: Connection, id_: int, values: Mapping[str, Any]) -> None:
    """Change a workshop's facts."""
    connection.execute(update(WORKSHOP).where(WORKSHOP.c.id == id_).values(**values))


def take_digest(connection: Connection, id_: int, day: date) -> bool:
    """Whether the digest of this day is ours to tell: the first who asks has it."""
    new = or_(WORKSHOP.c.digest_told_on.is_(None), WORKSHOP.c.digest_told_on < day)
    statement = update(WORKSHOP).where(WORKSHOP.c.id == id_, new).values(digest_told_on=day).returning(WORKSHOP.c.id)
    return connection.execute(statement).first() is not None


def has_money(connection: Connection, workshop: int) -> bool:
    """Whether any lot has a cost, or the rate of any supplier's currency is known."""
    cost = select(LOT.c.id).where(LOT.c.workshop_id == workshop, LOT.c.cost_micro.is_not(None)).limit(1)
    rate = select(SUPPLIER.c.id).where(SUPPLIER.c.workshop_id == workshop, SUPPLIER.c.rate_nano.is_not(None)).limit(1)
    return any(connection.execute(found).first() is not None for found in (cost, rate))


def add_token(connection: Connection, workshop: int, values: Mapping[str, Any]) -> None:
    """A new token; only the hash of its secret is kept."""
    connection.execute(insert(TOKEN), {**values, "workshop_id": workshop})


def token_by_hash(connection: Connection, workshop_code: str | None, secret_hash: str) -> Row[Any] | None:
    """A token that is not revoked, with its workshop; None means the first workshop."""
    mine = WORKSHOP.c.id == 1 if workshop_code is None else WORKSHOP.c.code == workshop_code
    return connection.execute(
        select(TOKEN, *(column.label(f"w_{column.name}") for column in WORKSHOP.c))
        .join(WORKSHOP, WORKSHOP.c.id == TOKEN.c.workshop_id)
        .where(
            mine,
            TOKEN.c.secret_hash == secret_hash,
            TOKEN.c.revoked_at.is_(None),
        )
    ).first()


def _of_calendar(calendar: bool) -> Any:
    """Tokens of calendar feeds, or all others."""
    return (TOKEN.c.scopes == "calendar") if calendar else (TOKEN.c.scopes != "calendar")


def tokens(connection: Connection, workshop: int, after: str | None, limit: int, calendar: bool = False) -> list[Row[Any]]:
    """Standing tokens by code."""
    wanted = [TOKEN.c.workshop_id == workshop, TOKEN.c.revoked_at.is_(None), _of_calendar(calendar)]
    if after is not None:
        wanted.append(TOKEN.c.code > after)
    return list(connection.execute(select(TOKEN).where(*wanted).order_by(TOKEN.c.code).limit(limit)))


def revoke(connection: Connection, workshop: int, code: str, now: datetime, calendar: bool = False) -> str | None:
    """Revoke a standing token; answers its hash, or None when there is none of that code."""
    return connection.execute(
        update(TOKEN)
        .where(TOKEN.c.workshop_id == workshop, TOKEN.c.code == code, TOKEN.c.revoked_at.is_(None), _of_calendar(calendar))
        .values(revoked_at=now)
        .returning(TOKEN.c.secret_hash)
    ).scalar()


def used(connection: Connection, workshop: int, token: int, at: datetime) -> None:
    """Note a token's last use."""
    connection.execute(update(TOKEN).where(TOKEN.c.workshop_id == workshop, TOKEN.c.id == token).values(last_used_at=at))


_KEPT = Prepared(
    select(IDEMPOTENCY).where(IDEMPOTENCY.c.workshop_id == bindparam("workshop"), IDEMPOTENCY.c.key == bindparam("key"))
)
_KEEP = Prepared(insert(IDEMPOTENCY))


def kept_answer(connection: Connection, workshop: int, key: str) -> Row[Any] | None:
    """The first answer to a key, if there is one."""
    return _KEPT.first(connection, {"workshop": workshop, "key": key})


def claim_key(connection: Connection, workshop: int, key: str, fingerprint: str, now: datetime) -> bool:
    """Take a key for this act; False when another act has it (on PostgreSQL after waiting for that act)."""
    values = {
        "workshop_id": workshop, "key": key, "fingerprint": fingerprint, "status": 0, "answer": "", "created_at": now,
    }  # fmt: skip
    if connection.dialect.name == "postgresql":
        statement = postgresql_insert(IDEMPOTENCY).values(values).on_conflict_do_nothing()
        return connection.execute(statement.returning(IDEMPOTENCY.c.key)).first() is not None
    return True  # one writer at a time: the row is written with the answer


def keep_answer(
    connection: Connection, workshop: int, key: str, fingerprint: str, status: int, answer: str, now: datetime
) -> None:
    """Keep the first answer to a key in the transaction of its work."""
    if connection.dialect.name == "postgresql":
        connection.execute(
            update(IDEMPOTENCY)
            .where(IDEMPOTENCY.c.workshop_id == workshop, IDEMPOTENCY.c.key == key)
            .values(status=status, answer=answer)
        )
        return
    values = {
        "workshop_id": workshop, "key": key, "fingerprint": fingerprint, "status": status, "answer": answer,
        "created_at": now,
    }  # fmt: skip
    _KEEP.run(connection, values)


def alone(connection: Connection) -> None:
    """Wait until no other process makes a first workshop (SQLite: a write transaction is alone already)."""
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(FIRST)))
