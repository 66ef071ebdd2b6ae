"""Is it alive, is it ready, and the figures behind a setting."""

from fastapi import APIRouter, Request, Response
from starlette.exceptions import HTTPException

from service.actions import access
from service.api.deps import door_of
from service.api.docs import refusals

router = APIRouter()


@router.get("/health/live", summary="Alive", tags=["Health"])
def live() -> dict[str, str]:
    """The process answers."""
    return {"status": "alive"}


@router.get("/health/ready", summary="Ready", tags=["Health"], responses=refusals("busy"))
def ready(request: Request) -> dict[str, str]:
    """The database answers too."""
    door_of(request).reader.read(access.answers)
    return {"status": "ready"}


@router.get("/metrics", include_in_schema=False)
def metrics(request: Request) -> Response:
    """Counters in the Prometheus text format, when STILLROOM_METRICS is on."""
    door = door_of(request)
    if not door.settings.metrics:
        raise HTTPException(404, "metrics are off: set STILLROOM_METRICS=1")
    figures = request.app.state.figures
    lines = ["# TYPE stillroom_requests_total counter"]
    for (method, route, status), count in sorted(figures.requests.items()):
        lines.append(f'stillroom_requests_total{{method="{method}",route="{route}",status="{status}"}} {count}')
    lines.append("# TYPE stillroom_request_seconds_total counter")
    for (method, route), micro in sorted(figures.micros.items()):
        lines.append(f'stillroom_request_seconds_total{{method="{method}",route="{route}"}} {micro / 1e6:.6f}')
    lines += ["# TYPE stillroom_writes_waiting gauge", f"stillroom_writes_waiting {door.writer.waiting}"]
    return Response("\n".join(lines) + "\n", media_type="text/plain; version=0.0.4; charset=utf-8")
