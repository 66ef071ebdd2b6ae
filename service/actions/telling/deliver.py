"""A round of deliveries."""

from datetime import datetime

from service.settings import Settings
from service.store.writer import Reader, SyncWriter


def round(reader: Reader, writer: SyncWriter, settings: Settings, now: datetime) -> int:
    """Send what is due; how many were sent. There is no outbox in this version: none."""
    return 0
