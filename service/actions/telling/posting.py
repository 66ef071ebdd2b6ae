"""One signed request to a receiver's address, which is not believed in anything.

The name is looked up once, and the request goes to just the address that was judged (a second look could answer otherwise);
TLS and the Host header keep the name. Redirects are not followed, the answer's body is hardly read, all has one time limit.
"""

import http.client
import socket
import ssl
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from functools import lru_cache
from types import TracebackType
from urllib.parse import SplitResult, urlsplit

from service.actions.telling.outcome import LIMIT, Outcome
from service.core.alerts import webhooks

PORTS = {"http": 80, "https": 443}
READ = 4096  # bytes of an answer's body, so that the receiver sees its answer taken
TRIED = 4  # addresses of one name


class Private(Exception):
    """The name leads to no address of the open internet."""


class Limit:
    """Ends a connection when its time is over: a receiver may send a byte now and then for ever."""

    def __init__(self, seconds: float) -> None:
        self.until = time.monotonic() + seconds
        self.over = False
        self._held: socket.socket | None = None
        self._watch = threading.Timer(seconds, self._end)
        self._watch.daemon = True

    def hold(self, held: socket.socket) -> None:
        """The connection to end."""
        self._held = held
        if self.over:
            self._end()

    def left(self) -> float:
        """Seconds left, a little at least."""
        return max(0.05, self.until - time.monotonic())

    def _end(self) -> None:
        self.over = True
        if self._held is not None:
            with suppress(OSError):  # of the socket below TLS: what is read there sees its end
                socket.socket.shutdown(self._held, socket.SHUT_RDWR)

    def __enter__(self) -> "Limit":
        self._watch.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._watch.cancel()


def post(url: str, headers: Mapping[str, str], body: bytes, private: bool, now: datetime) -> Outcome:
    """Send a body to an address; only 2xx is an arrival. `private`: addresses of private networks are allowed."""
    where = urlsplit(url)
    limit = Limit(LIMIT)
    try:
        with limit:
            return _sent(where, headers, body, private, now, limit)
    except Private:
        return Outcome(False, error="its name leads into a private network: STILLROOM_WEBHOOK_PRIVATE=1 would allow that")
    except (OSError, http.client.HTTPException, ValueError) as error:
        late = limit.over or isinstance(error, TimeoutError)
        return Outcome(False, error=f"took longer than {LIMIT:g} s" if late else _said(error, where))


def _sent(
    where: SplitResult, headers: Mapping[str, str], body: bytes, private: bool, now: datetime, limit: Limit
) -> Outcome:  # fmt: skip
    connection = http.client.HTTPConnection(where.hostname or "", where.port or PORTS[where.scheme])
    connection.default_port = PORTS[where.scheme]
    connection.sock = _connected(where, private, limit)
    try:
        target = (where.path or "/") + (f"?{where.query}" if where.query else "")
        connection.request("POST", target, body, {"User-Agent": "Stillroom", "Connection": "close", **headers})
        answer = connection.getresponse()
        if limit.over:  # its headers ended because we ended them
            raise TimeoutError
        with suppress(OSError, http.client.HTTPException):  # its status is all that counts
            answer.read(READ)
    finally:
        connection.close()
    if webhooks.delivered(answer.status):
        return Outcome(True, answer.status)
    moved = ": redirects are not followed" if 300 <= answer.status < 400 else ""
    after = webhooks.seconds_of(answer.getheader("Retry-After"), now)
    return Outcome(False, answer.status, f"answered {answer.status}{moved}", after, answer.status == 410)


def _connected(where: SplitResult, private: bool, limit: Limit) -> socket.socket:
    """A connection to one of the addresses of the name that may be connected to."""
    port = where.port or PORTS[where.scheme]
    found = socket.getaddrinfo(where.hostname, port, type=socket.SOCK_STREAM)
    fit = [one for one in found if private or webhooks.is_public(str(one[4][0]))]
    if not fit:
        raise Private
    failed: OSError | None = None
    for family, kind, protocol, _, address in fit[:TRIED]:
        raw = socket.socket(family, kind, protocol)
        try:
            limit.hold(raw)
            raw.settimeout(limit.left())
            raw.connect(address)
            if where.scheme == "https":
                raw = _trust().wrap_socket(raw, server_hostname=where.hostname)
                limit.hold(raw)
            return raw
        except OSError as error:
            raw.close()
            failed = error
    assert failed is not None
    raise failed


@lru_cache(maxsize=1)
def _trust() -> ssl.SSLContext:
    return ssl.create_default_context()


def _said(error: Exception, where: SplitResult) -> str:
    """Why it did not arrive, for a person."""
    if isinstance(error, socket.gaierror):
        return f"the name {where.hostname} is not known"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted: {error.verify_message}"
    if isinstance(error, ConnectionRefusedError):
        return "refused the connection"
    if isinstance(error, http.client.RemoteDisconnected | ConnectionError):
        return "closed the connection without an answer"
    if isinstance(error, http.client.HTTPException | ValueError):
        return "answered something that is not HTTP"
    return f"could not be reached: {(error.args[-1:] or ('',))[0]}"[:200]
