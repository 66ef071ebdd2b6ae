"""Messages that were told long ago are deleted with what became of them: a database does not grow with all that was ever said."""

from datetime import datetime, timedelta

from service.store import outbox
from service.store.writer import Reader, SyncWriter

KEPT_DAYS = 90  # since it was told; common practice, no source
BATCH = 500  # in one short transaction, so that no other write waits long; what is left is of the next look


def delete_old(reader: Reader, writer: SyncWriter, workshop: int, now: datetime) -> int:
    """Delete a batch of what is too old; how many messages were deleted.

    One that still waits for a receiver stays, and so does what was told of an alert that is still open: it says who knows.
    """
    before = now - timedelta(days=KEPT_DAYS)
    old = reader.read(lambda connection: outbox.old(connection, workshop, before, BATCH))
    return writer.write(lambda connection: outbox.delete(connection, workshop, old)) if old else 0
