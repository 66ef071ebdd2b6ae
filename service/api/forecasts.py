"""Forecasts over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.actions import forecasts
from service.api import computed, deps
from service.api.docs import doc
from service.shapes.forecasts import ForecastOut

router = APIRouter(prefix="/v1/forecasts", tags=["Forecasts"])


@router.get("/{product}", **doc("What will a product sell?", answer=ForecastOut, problems=("not-found", "invalid-value")))
def get_forecast(request: Request, product: str, weeks: Annotated[int, Query(ge=1, le=26)] = 13) -> Response:
    """Units by week and up to the end of each week, by channel and in all; and how good such forecasts have been."""
    caller = deps.authenticate(request, "read")
    return computed.answer(request, caller, lambda scope: forecasts.ask(scope, product, weeks))
