"""Round every request: its id, a log line, the size and number of what is let in, a time limit. Pure ASGI."""

import asyncio
import logging
import re
import secrets
import time
from collections import Counter
from typing import Any

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api import problems
from service.errors import Busy, Refusal, TooLarge
from service.settings import Settings

log = logging.getLogger("stillroom.request")
METHODS = ("GET", "HEAD", "POST", "PATCH", "PUT", "DELETE", "OPTIONS")
OURS = re.compile(rb"[A-Za-z0-9._-]{8,64}")  # a caller's own request id that we take over


class Figures:
    """Counters for /metrics."""

    def __init__(self) -> None:
        self.requests: Counter[tuple[str, str, int]] = Counter()
        self.micros: Counter[tuple[str, str]] = Counter()


class Surround:
    """X-Request-ID in every answer; 413, 503 before the work; one structured line after it."""

    def __init__(self, app: ASGIApp, settings: Settings, figures: Figures) -> None:
        self.app, self.settings, self.figures = app, settings, figures
        self.inside = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.perf_counter()
        headers = dict(scope["headers"])
        given = headers.get(b"x-request-id", b"")
        request_id = given if OURS.fullmatch(given) else secrets.token_hex(8).encode()
        seen: dict[str, Any] = {"status": 0}

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                seen["status"] = message["status"]
                message["headers"] = [*message["headers"], (b"x-request-id", request_id)]
            await send(message)

        scope.setdefault("state", {})["request_id"] = request_id.decode()
        self.inside += 1
        try:
            await self._guarded(scope, headers, receive, answer, seen)
        finally:
            self.inside -= 1
            self._note(scope, request_id.decode(), seen["status"], time.perf_counter() - began)

    async def _guarded(
        self, scope: Scope, headers: dict[bytes, bytes], receive: Receive, send: Send, seen: dict[str, Any]
    ) -> None:
        uploads = scope["path"].startswith("/v1/imports/")
        limit = self.settings.upload_limit_bytes if uploads else self.settings.body_limit_bytes
        length = headers.get(b"content-length", b"0")
        refusal: Refusal | None = None
        if not length.isdigit() or int(length[:15]) > limit:
            refusal = TooLarge(f"the body may have at most {limit} bytes")
        elif self.inside > self.settings.queue_limit and not scope["path"].startswith("/health"):
            refusal = Busy("too many requests at once", retry_after=1)
        else:
            try:
                async with asyncio.timeout(self.settings.timeout_seconds):
                    await self.app(scope, _bounded(receive, limit), send)
            except TimeoutError:
                refusal = Busy("this took too long: repeat it with the same Idempotency-Key", retry_after=2)
            except Exception:
                log.exception("unexpected", extra={"facts": {"request": scope["state"]["request_id"]}})
                refusal = problems.Unexpected("something went wrong on our side")
        if refusal is not None and not seen["status"]:
            await problems.answer(Request(scope), refusal)(scope, receive, send)

    def _note(self, scope: Scope, request_id: str, status: int, seconds: float) -> None:
        route = getattr(scope.get("route"), "path", "-")
        method = scope["method"] if scope["method"] in METHODS else "other"
        self.figures.requests[(method, route, status)] += 1
        self.figures.micros[(method, route)] += int(seconds * 1_000_000)
        if log.isEnabledFor(logging.INFO):
            caller = scope["state"].get("caller")
            facts = {
                "request": request_id,
                "method": method,
                "route": route,
                "status": status,
                "ms": round(seconds * 1000, 1),
                "workshop": caller.workshop.code if caller else None,
                "token": caller.actor.code if caller else None,
            }
            log.info("answered", extra={"facts": facts})


def _bounded(receive: Receive, limit: int) -> Receive:
    """A body without a length is counted as it comes."""
    got = 0

    async def bounded() -> Message:
        nonlocal got
        message = await receive()
        got += len(message.get("body", b""))
        if got > limit:
            raise TooLarge(f"the body may have at most {limit} bytes")
        return message

    return bounded
