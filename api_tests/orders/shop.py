"""A workshop whose figures can be worked out by hand: a salve without loss, 60 % shea and 40 % oil, 100 g in a tin."""

from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
from conftest import Server

from service.core import said


class Shop:
    """Short ways to say what happens; days are counted from today (`-3`: three days ago)."""

    def __init__(self, client: httpx.Client, server: Server) -> None:
        self.client, self.server = client, server
        self.today = datetime.now(UTC).date()  # new workshops keep UTC

    def day(self, offset: int) -> str:
        return str(self.today + timedelta(days=offset))

    def said(self, days: int) -> str:
        """The same day as it stands in a sentence."""
        return said.day(self.today + timedelta(days=days), self.today)

    def ask(self, method: str, path: str, expect: int, body: Any = None) -> dict[str, Any]:
        answer = self.client.request(method, f"/v1/{path}", json=body)
        assert answer.status_code == expect, answer.text
        return answer.json()  # type: ignore[no-any-return]

    def post(self, path: str, expect: int = 201, **body: Any) -> dict[str, Any]:
        return self.ask("POST", path, expect, body)

    def patch(self, path: str, expect: int = 200, **body: Any) -> dict[str, Any]:
        return self.ask("PATCH", path, expect, body)

    def get(self, path: str, expect: int = 200) -> dict[str, Any]:
        return self.ask("GET", path, expect)

    def make(self, units: int, product: str = "salve", expect: int = 201, **more: Any) -> dict[str, Any]:
        return self.post("runs", expect, product=product, units=units, **{"plan": "none", **more})

    def plan(self, units: int, **more: Any) -> dict[str, Any]:
        return self.post("runs", product="salve", units=units, status="planned", **more)

    def order(self, units: int, reference: str = "o-1", expect: int = 201, **more: Any) -> dict[str, Any]:
        lines = [{"product": "salve", "units": units, "unit_price": 8}]
        return self.post("orders", expect, **{"reference": reference, "lines": lines, **more})

    def ship(self, reference: str = "o-1", expect: int = 201, **more: Any) -> dict[str, Any]:
        return self.post(f"orders/{reference}/shipments", expect, **more)

    def stock(self, code: str = "salve") -> dict[str, Any]:
        return self.get(f"{'products' if code in ('salve', 'box') else 'materials'}/{code}")

    def verified(self) -> bool:
        told = self.server.command("verify")
        assert told.returncode == 0, told.stdout + told.stderr
        return True


def opened(server: Server, owner: httpx.Client) -> Shop:
    """A new workshop with 5 kg of shea, 4 kg of oil and 100 tins, two months old."""
    made = Shop(owner, server)
    made.post("materials", code="shea", name="Shea butter")
    made.post("materials", code="oil", name="Olive oil")
    made.post("materials", code="tin", name="Tin", kind="packaging")
    made.post("formulas", code="base", name="Salve base", lines=[{"material": "shea", "percent": 60},
                                                                 {"material": "oil", "percent": "rest"}])  # fmt: skip
    made.post("products", code="salve", name="Salve, 100 g", formula="base", fill_g=100, shelf_life_days=200,
              packaging=[{"material": "tin"}])  # fmt: skip
    for material, quantity, cost in (("shea", 5000, 50), ("oil", 4000, 32), ("tin", 100, 35)):
        made.post("receipts", material=material, quantity=quantity, cost=cost, received_on=made.day(-60))
    return made
