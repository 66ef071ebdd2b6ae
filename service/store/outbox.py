"""What is to be sent: messages, and one dispatch for each receiver, claimed by whoever sends it."""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, and_, func, insert, or_, select, update
from sqlalchemy import delete as sql_delete

from service.store.tables import Alert, Dispatch, Message, Receiver

ALERT = Alert.__table__  # type: ignore[attr-defined]
DISPATCH = Dispatch.__table__  # type: ignore[attr-defined]
MESSAGE = Message.__table__  # type: ignore[attr-defined]
RECEIVER = Receiver.__table__  # type: ignore[attr-defined]

_OF_MESSAGE = and_(MESSAGE.c.workshop_id == DISPATCH.c.workshop_id, MESSAGE.c.id == DISPATCH.c.message_id)
_OF_RECEIVER = and_(RECEIVER.c.workshop_id == DISPATCH.c.workshop_id, RECEIVER.c.id == DISPATCH.c.receiver_id)


def add(connection: Connection, workshop: int, message: Mapping[str, Any], dispatches: list[dict[str, Any]]) -> None:
    """A message, and a dispatch due at once for each of its receivers."""
    connection.execute(insert(MESSAGE), {**message, "workshop_id": workshop})
    fixed = {"workshop_id": workshop, "message_id": message["id"], "state": "waiting", "due_at": message["created_at"],
             "attempts": 0, "failures": 0}  # fmt: skip
    connection.execute(insert(DISPATCH), [one | fixed for one in dispatches])


def told_about(connection: Connection, workshop: int, about: str) -> set[int]:
    """The receivers that were told of this alert before."""
    statement: Any = (
        select(DISPATCH.c.receiver_id)
        .join(MESSAGE, _OF_MESSAGE)
        .where(DISPATCH.c.workshop_id == workshop, MESSAGE.c.about == about)
    )
    return set(connection.execute(statement).scalars())


def _shown() -> Any:
    return (
        select(
            DISPATCH, MESSAGE.c.code.label("message"), MESSAGE.c.event, MESSAGE.c.body, MESSAGE.c.created_at,
            RECEIVER.c.code.label("receiver"), RECEIVER.c.kind, RECEIVER.c.address, RECEIVER.c.secrets, RECEIVER.c.active,
            RECEIVER.c.removed_at,
        )
        .join(MESSAGE, _OF_MESSAGE)
        .join(RECEIVER, _OF_RECEIVER)
    )  # fmt: skip


def page(
    connection: Connection,
    workshop: int,
    state: str | None,
    asked: Iterable[tuple[str, str | None]],
    after: int | None,
    limit: int,
) -> list[Row[Any]]:
    """Dispatches with their message and receiver, newest first; `after` is the last id seen."""
    wanted = [DISPATCH.c.workshop_id == workshop]
    if state is not None:
        wanted.append(DISPATCH.c.state == state)
    for kind, receiver in asked:
        if receiver is not None:
            wanted += [RECEIVER.c.kind == kind, RECEIVER.c.code == receiver]
    if after is not None:
        wanted.append(DISPATCH.c.id < after)
    return list(connection.execute(_shown().where(*wanted).order_by(DISPATCH.c.id.desc()).limit(limit)))


def by_code(connection: Connection, workshop: int, code: str) -> Row[Any] | None:
    """A dispatch with its message and receiver."""
    return connection.execute(_shown().where(DISPATCH.c.workshop_id == workshop, DISPATCH.c.code == code)).first()


def _due(workshop: int, now: datetime) -> Any:
    """A dispatch that someone may send now."""
    return and_(
        DISPATCH.c.workshop_id == workshop,
        DISPATCH.c.state == "waiting",
        DISPATCH.c.due_at <= now,
        or_(DISPATCH.c.claimed_until.is_(None), DISPATCH.c.claimed_until <= now),
    )


def _listens(now: datetime) -> Any:
    return and_(RECEIVER.c.active.is_(True), or_(RECEIVER.c.quiet_until.is_(None), RECEIVER.c.quiet_until <= now))


def anything_due(connection: Connection, workshop: int, now: datetime) -> bool:
    """Whether something waits to be sent."""
    statement = select(DISPATCH.c.id).join(RECEIVER, _OF_RECEIVER).where(_due(workshop, now), _listens(now)).limit(1)
    return connection.execute(statement).first() is not None


def claim(connection: Connection, workshop: int, mine: str, now: datetime, until: datetime, each: int) -> list[Row[Any]]:
    """Take what is due, the oldest `each` of every receiver; nobody else takes the same before `until`."""
    turn = func.row_number().over(partition_by=DISPATCH.c.receiver_id, order_by=(DISPATCH.c.due_at, DISPATCH.c.id))
    in_turn = (
        select(DISPATCH.c.id, turn.label("turn"))
        .join(RECEIVER, _OF_RECEIVER)
        .where(_due(workshop, now), _listens(now))
        .subquery()
    )
    wanted = [row.id for row in connection.execute(select(in_turn.c.id).where(in_turn.c.turn <= each))]
    if not wanted:
        return []
    statement = (  # the conditions again: another worker may have been quicker
        update(DISPATCH)
        .where(DISPATCH.c.id.in_(sorted(wanted)), _due(workshop, now))
        .values(claim=mine, claimed_until=until)
        .returning(DISPATCH.c.id)
    )
    got = sorted(connection.execute(statement).scalars())
    taken: Any = _shown().where(DISPATCH.c.workshop_id == workshop, DISPATCH.c.id.in_(got))
    return list(connection.execute(taken.order_by(DISPATCH.c.due_at, DISPATCH.c.id)))


def release(connection: Connection, workshop: int, dispatches: Collection[int], mine: str) -> None:
    """Leave dispatches to the next round."""
    wanted = [DISPATCH.c.workshop_id == workshop, DISPATCH.c.id.in_(sorted(dispatches)), DISPATCH.c.claim == mine]
    connection.execute(update(DISPATCH).where(*wanted).values(claim=None, claimed_until=None))


def sent(connection: Connection, workshop: int, dispatch: int, now: datetime, status: int | None) -> None:
    """It arrived: nobody tries it again, whoever has claimed it meanwhile."""
    wanted = [DISPATCH.c.workshop_id == workshop, DISPATCH.c.id == dispatch, DISPATCH.c.state != "sent"]
    values = {"state": "sent", "sent_at": now, "tried_at": now, "status": status, "error": None, "claim": None,
              "claimed_until": None, "attempts": DISPATCH.c.attempts + 1}  # fmt: skip
    connection.execute(update(DISPATCH).where(*wanted).values(**values))


def failed(connection: Connection, workshop: int, dispatch: int, mine: str, values: Mapping[str, Any]) -> None:
    """It did not arrive; unless someone else has taken it over, `values` says what becomes of it."""
    wanted = [DISPATCH.c.workshop_id == workshop, DISPATCH.c.id == dispatch, DISPATCH.c.claim == mine]
    counted = {"attempts": DISPATCH.c.attempts + 1, "failures": DISPATCH.c.failures + 1, "claim": None, "claimed_until": None}
    connection.execute(update(DISPATCH).where(*wanted).values(**counted, **values))


def again(connection: Connection, workshop: int, dispatch: int, now: datetime) -> None:
    """Have it tried at once, with all its tries before it."""
    wanted = [DISPATCH.c.workshop_id == workshop, DISPATCH.c.id == dispatch, DISPATCH.c.state != "sent"]
    connection.execute(update(DISPATCH).where(*wanted).values(state="waiting", due_at=now, failures=0))


def old(connection: Connection, workshop: int, before: datetime, most: int) -> list[int]:
    """The oldest messages of before this time; not one that waits for a receiver, nor one about an alert that is open.

    Ids rise with time, so that only the first ones are read, by the primary key.
    """
    waiting = select(DISPATCH.c.message_id).where(DISPATCH.c.workshop_id == workshop, DISPATCH.c.state == "waiting")
    standing = select(ALERT.c.code).where(ALERT.c.workshop_id == workshop, ALERT.c.closed_at.is_(None))
    settled = or_(MESSAGE.c.about.is_(None), MESSAGE.c.about.not_in(standing))
    wanted = [MESSAGE.c.workshop_id == workshop, MESSAGE.c.id.not_in(waiting), settled]
    first = select(MESSAGE.c.id, MESSAGE.c.created_at).where(*wanted).order_by(MESSAGE.c.id).limit(most).subquery()
    return list(connection.execute(select(first.c.id).where(first.c.created_at < before).order_by(first.c.id)).scalars())


def delete(connection: Connection, workshop: int, messages: Collection[int]) -> int:
    """Delete messages with their dispatches, but for those which somebody has had tried again meanwhile; how many."""
    theirs = [DISPATCH.c.workshop_id == workshop, DISPATCH.c.message_id.in_(messages)]
    connection.execute(sql_delete(DISPATCH).where(*theirs, DISPATCH.c.state != "waiting"))
    left = MESSAGE.c.id.in_(select(DISPATCH.c.message_id).where(*theirs))
    gone = sql_delete(MESSAGE).where(MESSAGE.c.workshop_id == workshop, MESSAGE.c.id.in_(messages), ~left)
    return connection.execute(gone).rowcount
