"""The cheapest HTTP client that keeps its connection: a socket, requests made beforehand, answers cut by their length."""

import json
import socket
from typing import Any

HOST = "127.0.0.1"


def request(method: str, path: str, token: str | None = None, body: Any = None, key: str | None = None) -> bytes:
    """A whole request as it goes over the wire."""
    content = b"" if body is None else json.dumps(body).encode()
    lines = [f"{method} {path} HTTP/1.1", f"Host: {HOST}", f"Content-Length: {len(content)}"]
    if body is not None:
        lines.append("Content-Type: application/json")
    if token is not None:
        lines.append(f"Authorization: Bearer {token}")
    if key is not None:
        lines.append(f"Idempotency-Key: {key}")
    return "\r\n".join([*lines, "", ""]).encode() + content


class Wire:
    """One kept connection; `ask` answers the status and the body."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection((HOST, port), timeout=60)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def ask(self, message: bytes) -> tuple[int, bytes]:
        self.socket.sendall(message)
        got = b""
        while (end := got.find(b"\r\n\r\n")) < 0:
            got += self._more()
        head = got[:end].lower()
        at = head.find(b"content-length:")
        length = int(head[at + 15 :].split(b"\r\n", 1)[0]) if at >= 0 else 0
        while len(got) < end + 4 + length:
            got += self._more()
        return int(got[9:12]), got[end + 4 :]

    def json(self, message: bytes, expect: int = 200) -> Any:
        status, body = self.ask(message)
        assert status == expect, f"{status} instead of {expect}: {body[:500]!r}"
        return json.loads(body)

    def _more(self) -> bytes:
        got = self.socket.recv(1 << 16)
        if not got:
            raise ConnectionError("the service closed the connection")
        return got

    def close(self) -> None:
        self.socket.close()
