"""Places: a shelf, a box for the market, a shop; some are not for production."""

from typing import Any

from service.actions import lots, papers
from service.actions.scope import Scope
from service.core.units import quantity_out
from service.errors import Invalid, NotFound
from service.shapes.lots import PlacePatch
from service.store import places


def show(scope: Scope, place: str) -> dict[str, Any]:
    """A place and what lies there."""
    if place not in places.names(scope.connection, scope.workshop.id, None, 1_000_000):
        raise NotFound(f"there is no place '{place}'")
    return _shown(scope, [place])[0]


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Places by name."""
    names = places.names(scope.connection, scope.workshop.id, after, limit + 1)
    return _shown(scope, names[:limit]), names[limit - 1] if len(names) > limit else None


def _shown(scope: Scope, names: list[str]) -> list[dict[str, Any]]:
    apart = places.without_production(scope.connection, scope.workshop.id, names)
    held: dict[str, dict[str, tuple[int, str]]] = {name: {} for name in names}
    for lot in places.stock(scope.connection, scope.workshop.id, names):
        there = held[lot.place].get(lot.item_code, (0, lot.unit))[0]
        held[lot.place][lot.item_code] = (there + lot.on_hand, lot.unit)
    return [
        {
            "place": name,
            "production": name not in apart,
            "on_hand": [{"item": item, "quantity": quantity_out(*amount)} for item, amount in held[name].items()],
        }
        for name in names
    ]


def edit(scope: Scope, place: str, patch: PlacePatch) -> dict[str, Any]:
    """Say whether production draws from a place; the lots that lie there follow from now on."""
    if patch.production is None and "production" in patch.model_fields_set:
        raise Invalid.field("#/production", "must not be null")
    if patch.production is not None:
        places.say(scope.connection, scope.workshop.id, place, patch.production)
        for lot in places.stock(scope.connection, scope.workshop.id, [place]):
            if lot.set_apart == patch.production:
                when = papers.happened(scope, None, "#/production")
                lots.keep(scope, lot, {"set_apart": not patch.production}, when, None)
    return _shown(scope, [place])[0]
