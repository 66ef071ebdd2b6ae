"""Signing what is sent to a receiver, by the Standard Webhooks specification 1.0, and when to try again.

The signature is HMAC-SHA256 over `id.timestamp.body`, in base64 after `v1,`; the header holds several, separated by
spaces, while a secret is being replaced. The id stays the same when a message is sent again.
"""

import base64
import binascii
import hashlib
import hmac
import re
import secrets
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network
from urllib.parse import urlsplit

PREFIX, VERSION = "whsec_", "v1"
LEAST_BYTES, MOST_BYTES = 24, 64  # of a secret, by the specification
TOLERANCE = 300  # seconds, both ways
NAT64 = ip_network("64:ff9b::/96")  # RFC 6052: the last 32 bits are an IPv4 address
HOST = re.compile(r"[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?)*\.?")  # a name, in lower case
RETRIES = (5, 60, 300, 900, 3600, 7200, 14_400, 21_600, 28_800, 28_800)  # seconds to the next try: 29 hours in all


def new_secret() -> str:
    """A secret as it is shown to its owner."""
    return PREFIX + base64.b64encode(secrets.token_bytes(32)).decode()


def key_of(secret: str) -> bytes:
    """The key within a secret; ValueError says what is wrong with it."""
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError("must be base64 after whsec_") from None
    if not LEAST_BYTES <= len(key) <= MOST_BYTES:
        raise ValueError(f"must hold {LEAST_BYTES} to {MOST_BYTES} bytes")
    return key


def sign(secret: str, message_id: str, timestamp: int, body: bytes) -> str:
    """One signature of a message, with its version."""
    if "." in message_id or not message_id:
        raise ValueError("an id must not be empty or contain a full stop")
    content = f"{message_id}.{timestamp}.".encode() + body
    made = hmac.new(key_of(secret), content, hashlib.sha256).digest()
    return f"{VERSION},{base64.b64encode(made).decode()}"


def headers(secrets_now: Iterable[str], message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """The headers of a message, signed with each secret that is valid now."""
    signatures = " ".join(sign(secret, message_id, timestamp, body) for secret in secrets_now)
    return {
        "content-type": "application/json",
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signatures,
    }


def verify(secret: str, given: Mapping[str, str], body: bytes, now: int) -> bool:
    """Whether a message is from whoever holds the secret, and of these minutes."""
    message_id, stamp = given.get("webhook-id", ""), given.get("webhook-timestamp", "")
    if not (stamp.isascii() and stamp.isdigit()) or abs(now - int(stamp)) > TOLERANCE:
        return False
    if not message_id or "." in message_id:
        return False
    wanted = sign(secret, message_id, int(stamp), body).encode()
    return any(hmac.compare_digest(one.encode(), wanted) for one in given.get("webhook-signature", "").split(" "))


def next_try(failures: int, luck: float, after: float | None = None) -> float | None:
    """Seconds until a message is sent again after so many failures; None: given up, it is parked.

    `luck` from 0 to 1 spreads the tries by a fifth, so that what failed together does not come back together; `after` is
    what the receiver asked for (Retry-After), kept within the longest pause.
    """
    if failures > len(RETRIES):
        return None
    pause = RETRIES[failures - 1] * (0.9 + 0.2 * luck)
    return pause if after is None else max(pause, min(after, float(RETRIES[-1])))


def seconds_of(retry_after: str | None, now: datetime) -> float | None:
    """How long a Retry-After asks to wait: seconds, or a date (RFC 9110, 10.2.3); None when it says neither."""
    text = (retry_after or "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        when = parsedate_to_datetime(text)
    except ValueError:
        return None
    return max(0.0, ((when if when.tzinfo else when.replace(tzinfo=UTC)) - now).total_seconds())


def delivered(status: int) -> bool:
    """Only 2xx counts: a redirect is not followed, it is a failure."""
    return 200 <= status < 300


def is_public(address: str | IPv4Address | IPv6Address) -> bool:
    """Whether a resolved address is one of the open internet; an IPv4 address inside an IPv6 one counts as itself."""
    found = ip_address(address)
    if isinstance(found, IPv6Address):
        inner = found.ipv4_mapped or found.sixtofour or (found.teredo[1] if found.teredo else None)
        if inner is not None:
            return is_public(inner)
        if found in NAT64:
            return is_public(IPv4Address(int(found) & 0xFFFFFFFF))
    return found.is_global and not found.is_multicast and not found.is_reserved


def fault_of(url: str, private: bool) -> str | None:
    """What is wrong with a receiver's address, before any name in it is looked up; None when nothing is.

    `private`: private networks are allowed, and addresses without encryption with them.
    """
    if not (url.isascii() and url.isprintable()) or re.search(r"[\s\\]", url):
        return "must be printable ASCII without spaces (a name in other letters in its xn-- form)"
    try:
        given = urlsplit(url)
        port = given.port
    except ValueError:
        return "is not an address on the web"
    host = given.hostname or ""
    if given.scheme not in ("https", "http") or not host or port == 0:
        return "is not an address on the web"
    if given.scheme == "http" and not private:
        return "must be an https address"
    if given.username is not None or given.password is not None or "#" in url:
        return "must have no user, password or fragment in it"
    return _fault_of_host(host, private)


def _fault_of_host(host: str, private: bool) -> str | None:
    """The same of its host: an address is judged, a name only by its form."""
    numeric = ":" in host or re.fullmatch(r"[0-9]+|0x[0-9a-f]*", host.rstrip(".").rpartition(".")[2]) is not None
    if numeric:
        try:
            public = is_public(host)
        except ValueError:
            return "names no host"
    else:
        if not HOST.fullmatch(host) or len(host) > 253 or any(len(label) > 63 for label in host.split(".")):
            return "names no host"
        public = host.rstrip(".").rpartition(".")[2] != "localhost"  # RFC 6761, 6.3: always this machine
    return None if public or private else "is in a private network"
