"""Where what is to be told leaves: kept in the same transaction as what it tells of."""

from collections.abc import Mapping
from typing import Any

from service.actions.scope import Scope


def tell(scope: Scope, event: str, body: Mapping[str, Any]) -> None:
    """Hand an event on to be delivered; the outbox keeps it. There is no outbox in this version: nothing is delivered."""
