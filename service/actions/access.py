"""Who may do what: tokens, the workshop, and the first of each."""

import hashlib
import re
import secrets
from datetime import date, datetime
from typing import Any
from zoneinfo import available_timezones

from sqlalchemy import Connection, Row

from service.actions.paging import onward
from service.actions.scope import Actor, Scope, WorkshopFacts
from service.core.units import percent_in, percent_out
from service.errors import Conflict, Invalid, NotFound
from service.shapes.access import TokenIn, WorkshopPatch
from service.store import access, ids

PERCENTS = {"service_level_percent": "service_level_ppm", "capital_percent_per_year": "capital_ppm"}
IMPLIED = {"manage": ("manage", "record", "read"), "record": ("record", "read"), "read": ("read",), "calendar": ("calendar",)}


def hashed(secret: str) -> str:
    """The hash a token's secret is kept as (256 random bits need no slow hash)."""
    return hashlib.sha256(secret.encode()).hexdigest()


def facts(row: Any, prefix: str = "") -> WorkshopFacts:
    """A workshop's row as acts use it."""
    return WorkshopFacts(*(getattr(row, prefix + name) for name in WorkshopFacts.__slots__))


def authenticate(connection: Connection, token: str) -> tuple[Row[Any], WorkshopFacts, Actor] | None:
    """The token's row, its workshop and its actor; None when it is not known (expiry is the caller's to judge)."""
    code, _, secret = token.partition(".")
    row = access.token_by_hash(connection, code, hashed(secret)) if secret else None
    row = row or access.token_by_hash(connection, None, hashed(token))  # the owner's own, given at the start
    if row is None:
        return None
    scopes = frozenset(name for scope in row.scopes.split() for name in IMPLIED[scope])
    return row, facts(row, "w_"), Actor(row.id, row.code, row.name, scopes)


def add_token(
    connection: Connection, workshop: int, workshop_code: str, name: str, scopes: list[str], now: datetime,
    expires_on: date | None = None, secret: str | None = None,
) -> tuple[str, str]:  # fmt: skip
    """A new token: its code and its text, which is shown once."""
    secret = secret or secrets.token_urlsafe(32)
    code = f"t-{secrets.token_hex(4)}"
    values = {
        "id": ids.new_id(), "code": code, "name": name, "scopes": " ".join(scopes), "secret_hash": hashed(secret),
        "expires_on": expires_on, "created_at": now, "last_used_at": None, "revoked_at": None,
    }  # fmt: skip
    access.add_token(connection, workshop, values)
    return code, f"{workshop_code}.{secret}"


def add_given_token(connection: Connection, workshop: int, text: str, now: datetime) -> None:
    """The owner's token as the settings give it: the whole text is the secret."""
    add_token(connection, workshop, "", "owner", ["manage"], now, secret=text)


def add_workshop(connection: Connection, name: str, now: datetime) -> WorkshopFacts:
    """A new workshop; its code comes from its name."""
    taken = {row.code for row in access.workshops(connection)}
    stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "workshop"
    code = stem
    while code in taken:
        code = f"{stem}-{secrets.token_hex(4)}"
    id_ = access.add_workshop(connection, code, name, now)
    return facts(access.workshop(connection, id_))


def create_token(scope: Scope, body: TokenIn) -> dict[str, Any]:
    """A new token; `token` is shown this once."""
    if body.expires_on is not None and body.expires_on < scope.today:
        raise Invalid.field("#/expires_on", "is past", str(body.expires_on), f"from {scope.today}")
    code, text = add_token(
        scope.connection, scope.workshop.id, scope.workshop.code, body.name, list(body.scopes), scope.now,
        body.expires_on,
    )  # fmt: skip
    return {
        "code": code, "name": body.name, "scopes": list(body.scopes), "expires_on": body.expires_on,
        "created_on": scope.today, "last_used_on": None, "token": text,
    }  # fmt: skip


def list_tokens(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Standing tokens, without their secrets."""
    rows = access.tokens(scope.connection, scope.workshop.id, after, limit + 1)
    shown = [
        {
            "code": row.code, "name": row.name, "scopes": row.scopes.split(), "expires_on": row.expires_on,
            "created_on": row.created_at.astimezone(scope.zone).date(),
            "last_used_on": row.last_used_at.astimezone(scope.zone).date() if row.last_used_at else None,
            "token": None,
        }
        for row in rows[:limit]
    ]  # fmt: skip
    return shown, onward(rows, limit, "code")


def revoke_token(scope: Scope, code: str) -> dict[str, Any]:
    """Revoke a token at once."""
    revoked = access.revoke(scope.connection, scope.workshop.id, code, scope.now)
    if revoked is None:
        raise NotFound(f"there is no token '{code}'")
    return {"revoked": revoked}


def show_workshop(scope: Scope) -> dict[str, Any]:
    """The workshop as it is now."""
    row = access.workshop(scope.connection, scope.workshop.id)
    shown = {
        name: getattr(row, name) for name in ("name", "time_zone", "currency", "week_start", "expiry_warning_days", "digest_hour")
    }
    shown |= {"service_level_percent": percent_out(row.service_level_ppm), "lead_time_days": row.lead_time_days}
    return shown | {"capital_percent_per_year": percent_out(row.capital_ppm)}


def edit_workshop(scope: Scope, patch: WorkshopPatch) -> dict[str, Any]:
    """Change what was sent; the currency is fixed once money exists."""
    values = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name, value in values.items():
        if value is None and name != "digest_hour":
            raise Invalid.field(f"#/{name}", "must not be null")
    if "time_zone" in values and values["time_zone"] not in available_timezones():
        raise Invalid.field("#/time_zone", "is not a time zone", values["time_zone"], "an IANA name like Europe/Paris")
    for name, column in PERCENTS.items():
        if name in values:
            values[column] = percent_in(values.pop(name), f"#/{name}")
    changes_money = values.get("currency", scope.workshop.currency) != scope.workshop.currency
    if changes_money and access.has_money(scope.connection, scope.workshop.id):
        raise Conflict("the currency is fixed once money exists", currency=scope.workshop.currency)
    if values:
        access.change_workshop(scope.connection, scope.workshop.id, values)
    return show_workshop(scope)


def answers(connection: Connection) -> bool:
    """Whether the database answers."""
    return bool(access.workshops(connection)) or True


def no_workshop(connection: Connection) -> bool:
    """Whether the database holds no workshop yet."""
    return not access.workshops(connection)


def first_workshop(connection: Connection) -> WorkshopFacts:
    """The first workshop."""
    return facts(access.workshops(connection)[0])


def workshop_by_code(connection: Connection, code: str | None) -> WorkshopFacts | None:
    """A workshop by its code; the first without one."""
    for row in access.workshops(connection):
        if code is None or row.code == code:
            return facts(row)
    return None


def list_workshops(connection: Connection) -> list[WorkshopFacts]:
    """Every workshop."""
    return [facts(row) for row in access.workshops(connection)]
