"""Sending what is due. Claimed in the database for a while, sent outside any transaction, settled one by one.

Whoever is killed in the middle leaves claims that end: someone else sends the same again, under the same id.
"""

import json
import logging
import random
import secrets
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from queue import Empty, SimpleQueue
from threading import Event, Thread
from typing import Any

from sqlalchemy import Connection, Row

from service.actions.telling import digest, mail, posting
from service.actions.telling.digest import Writes
from service.actions.telling.outcome import LIMIT, Outcome
from service.actions.telling.webhooks import signing
from service.core.alerts import webhooks
from service.settings import Settings
from service.store import access, outbox, receivers
from service.store.writer import Reader

log = logging.getLogger("stillroom.telling")
CLAIM_SECONDS = 120
THREADS = 8  # each with one receiver: a slow one holds up no other
EACH = 50  # messages for one receiver in a round at most, oldest first; it has `LIMIT` seconds to take them
NO_MAIL = "no mail is sent here: set STILLROOM_SMTP_URL and STILLROOM_MAIL_FROM"


@dataclass(frozen=True, slots=True)
class Round:
    """One worker's turn: its claim, and its clock."""

    writer: Writes
    settings: Settings
    claim: str
    began: datetime
    at: float  # the same moment of a clock that only runs
    stopped: Event  # set when the process is to end

    def now(self) -> datetime:
        """The moment, by the clock the round was given."""
        return self.began + timedelta(seconds=time.monotonic() - self.at)

    def time_left(self, since: float) -> bool:
        """Whether one more can be sent before others may take over, to whom the round turned at `since`; none at the end."""
        now = time.monotonic()
        return not self.stopped.is_set() and now - self.at < CLAIM_SECONDS - 2 * LIMIT and now - since < LIMIT


def round(reader: Reader, writer: Writes, settings: Settings, now: datetime, stopped: Event | None = None) -> int:
    """Tell the digests that are due, then send what is due in every workshop; answers how many were tried.

    Once `stopped` is set nothing more is begun, and what is left is given back. The threads that send end with the process:
    what they leave is taken over like what a killed worker leaves.
    """
    digest.tell_due(reader, writer, now)
    turn = Round(writer, settings, secrets.token_hex(8), now, time.monotonic(), stopped or Event())

    def waiting(connection: Connection) -> list[int]:
        return [row.id for row in access.workshops(connection) if outbox.anything_due(connection, row.id, now)]

    until = now + timedelta(seconds=CLAIM_SECONDS)
    lots: dict[int, list[Row[Any]]] = {}
    for workshop in reader.read(waiting):
        taking = partial(outbox.claim, workshop=workshop, mine=turn.claim, now=now, until=until, each=EACH)
        for row in writer.write(taking):
            lots.setdefault(row.receiver_id, []).append(row)
    return _in_threads(partial(_send_all, turn), list(lots.values()))


def _in_threads(send: Callable[[Sequence[Row[Any]]], int], lots: list[list[Row[Any]]]) -> int:
    left: SimpleQueue[list[Row[Any]]] = SimpleQueue()
    for rows in lots:
        left.put(rows)
    tried: list[int] = []

    def take() -> None:
        with suppress(Empty):
            while True:
                tried.append(send(left.get_nowait()))

    threads = [Thread(target=take, name=f"telling-{n}", daemon=True) for n in range(min(THREADS, len(lots)))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(tried)


def _send_all(turn: Round, rows: Sequence[Row[Any]]) -> int:
    """A receiver's messages in their order, until one does not arrive or it took long: the rest is left to the next round."""
    tried, since = 0, time.monotonic()
    try:
        for row in rows:
            if not turn.time_left(since):
                break
            tried += 1
            outcome = _send(turn, row)
            _settle(turn, row, outcome)
            if not outcome.arrived:
                break
        left = [row.id for row in rows[tried:]]
        if left:
            turn.writer.write(lambda connection: outbox.release(connection, rows[0].workshop_id, left, turn.claim))
    except Exception:  # the database is away, perhaps: the claims end by themselves
        log.exception("a dispatch was not settled", extra={"facts": {"receiver": rows[0].receiver}})
    return tried


def _send(turn: Round, row: Row[Any]) -> Outcome:
    try:
        return SENDERS[row.kind](turn, row)
    except Exception:  # a fault of ours is no reason to try for ever, and none to hold up the others
        log.exception("a dispatch failed", extra={"facts": {"dispatch": row.code}})
        return Outcome(False, error="something went wrong on our side")


def _post(turn: Round, row: Row[Any]) -> Outcome:
    now, body = turn.now(), row.body.encode()
    fault = webhooks.fault_of(row.address, turn.settings.webhook_private)
    if fault is not None:  # it was allowed when it was told
        return Outcome(False, error=f"its address {fault}")
    headers = webhooks.headers(signing(row.secrets, now), row.message, int(now.timestamp()), body)
    return posting.post(row.address, headers, body, turn.settings.webhook_private, now)


def _mail(turn: Round, row: Row[Any]) -> Outcome:
    settings = turn.settings
    if not settings.mails:
        return Outcome(False, error=NO_MAIL)
    return mail.send(mail.compose(row.address, row.message, row.event, json.loads(row.body), row.created_at, settings), settings)


SENDERS: dict[str, Callable[[Round, Row[Any]], Outcome]] = {"webhook": _post, "mail": _mail}


def _settle(turn: Round, row: Row[Any], outcome: Outcome) -> None:
    """Write down what became of it: sent, tried again later, or parked after the last try."""
    now = turn.now()
    if outcome.arrived:
        turn.writer.write(lambda connection: outbox.sent(connection, row.workshop_id, row.id, now, outcome.status))
        return
    pause = None if outcome.gone else webhooks.next_try(row.failures + 1, random.random(), outcome.after)
    values: dict[str, Any] = {"status": outcome.status, "error": outcome.error, "tried_at": now}
    values |= {"state": "parked"} if pause is None else {"due_at": now + timedelta(seconds=pause)}
    about: dict[str, Any] = {}
    if outcome.gone:  # it wants nothing more, says the specification
        about["active"] = False
    elif outcome.after:
        about["quiet_until"] = now + timedelta(seconds=min(outcome.after, float(webhooks.RETRIES[-1])))

    def work(connection: Connection) -> None:
        outbox.failed(connection, row.workshop_id, row.id, turn.claim, values)
        if about:
            receivers.change(connection, row.workshop_id, row.receiver_id, about)

    turn.writer.write(work)
