"""Who asks comes before what is asked: without a token nothing is said of a request's values."""

from typing import Any

import httpx
import pytest
from conftest import Server

WRONG = (
    ("GET", "/v1/forecasts/none?weeks=many", {}),
    ("GET", "/v1/checks?product=Not%20A%20Code&units=0", {}),
    ("GET", "/v1/orders?state=lost", {}),
    ("GET", "/v1/lots?expires_before=soon", {}),
    ("GET", "/v1/runs?limit=0", {}),
    ("POST", "/v1/orders", {"json": {"lines": []}}),
    ("POST", "/v1/imports/orders", {"content": b"x", "headers": {"Content-Type": "multipart/form-data"}}),
)


@pytest.mark.parametrize(("method", "path", "body"), WRONG)
def test_a_wrong_value_is_401_without_a_token_and_422_with_one(
    server: Server, owner: httpx.Client, method: str, path: str, body: dict[str, Any]
) -> None:
    with server.client(None) as stranger:
        assert stranger.request(method, path, **body).status_code == 401
    refused = owner.request(method, path, **body)
    assert refused.status_code == 422, refused.text
    assert refused.headers["Content-Type"] == "application/problem+json"
