"""Who is told, what was told, and what became of it at each receiver."""

from datetime import datetime

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from service.store.tables.columns import big, flag, key, moment, of, small, text


class Receiver(SQLModel, table=True):
    """A webhook or a mail address that wants to be told of some events."""

    __tablename__ = "receiver"
    __table_args__ = (UniqueConstraint("workshop_id", "code"), CheckConstraint("kind IN ('webhook','mail')", name="kind"))
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    kind: str = text()
    name: str = text()
    address: str = text()  # of a webhook its URL
    wants: str = text()  # words with spaces between: events, or what a mail is wanted for
    active: bool = flag(True)
    secrets: str = text("[]")  # JSON: what messages are signed with and until when; they must be readable to sign
    quiet_until: datetime | None = moment(None)  # it asked for no more before this (Retry-After)
    created_at: datetime = moment()
    removed_at: datetime | None = moment(None)


class Message(SQLModel, table=True):
    """Something told, written in the transaction of what happened. Its code is what receivers drop repeats by."""

    __tablename__ = "message"
    __table_args__ = (
        Index(
            "ix_message_about",
            "workshop_id",
            "about",
            sqlite_where=sql("about IS NOT NULL"),
            postgresql_where=sql("about IS NOT NULL"),
        ),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    event: str = text()
    about: str | None = text(None)  # the alert it is about
    body: str = text()  # the JSON that is sent, the same at every try
    created_at: datetime = moment()


class Dispatch(SQLModel, table=True):
    """One message for one receiver. Whoever sends it claims it first, for a while."""

    __tablename__ = "dispatch"
    __table_args__ = (
        of("message", "message_id"),
        of("receiver", "receiver_id"),
        UniqueConstraint("workshop_id", "code"),
        Index(None, "workshop_id", "receiver_id", "id"),
        Index(None, "workshop_id", "message_id"),
        Index(
            "ix_dispatch_due",
            "workshop_id",
            "due_at",
            sqlite_where=sql("state = 'waiting'"),
            postgresql_where=sql("state = 'waiting'"),
        ),
        CheckConstraint("state IN ('waiting','sent','parked')", name="state"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    message_id: int = big()
    receiver_id: int = big()
    state: str = text("waiting")
    due_at: datetime = moment()  # when it is tried next
    attempts: int = small(0)
    failures: int = small(0)  # since it was told, or since a person had it tried again
    claim: str | None = text(None)  # whose round is sending it
    claimed_until: datetime | None = moment(None)
    status: int | None = small(None)  # what the last try was answered with
    error: str | None = text(None)
    tried_at: datetime | None = moment(None)
    sent_at: datetime | None = moment(None)
