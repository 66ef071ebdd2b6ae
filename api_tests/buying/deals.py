"""A mill that sells to the balm workshop, and short ways to deal with it."""

from datetime import date
from typing import Any

from conftest import Bench

TODAY = date.today()


def mill(bench: Bench, **more: Any) -> str:
    """A supplier: 9 for delivery, free from 100, smallest order 20, a week."""
    terms = {"delivery_charge": 9, "free_delivery_from": 100, "smallest_order": 20, "lead_time_days": 7}
    return str(bench.post("suppliers", **{"code": "mill", "name": "The Mill", **terms, **more})["code"])


def offer(bench: Bench, material: str, quantity: float, unit: str, price: float, **more: Any) -> str:
    pack = {"quantity": quantity, "unit": unit}
    return str(bench.post("offers", **{"supplier": "mill", "material": material, "pack": pack, "price": price, **more})["code"])


def draft(bench: Bench, *lines: dict[str, Any], **more: Any) -> str:
    return str(bench.post("purchase-orders", **{"supplier": "mill", "lines": list(lines), **more})["code"])


def placed(bench: Bench, *lines: dict[str, Any], on: date | None = None, **more: Any) -> str:
    code = draft(bench, *lines)
    told = {} if on is None else {"placed_on": str(on)}
    bench.post(f"purchase-orders/{code}/placement", 200, **told, **more)
    return code


def shown(bench: Bench, code: str) -> dict[str, Any]:
    return bench.get(f"purchase-orders/{code}")


def open_(bench: Bench, code: str) -> list[float]:
    return [line["open"] for line in shown(bench, code)["lines"]]


def kinds(answer: dict[str, Any]) -> list[str]:
    return [warning["type"] for warning in answer["warnings"]]
