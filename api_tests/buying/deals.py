"""A mill that sells to the balm workshop, and short ways to deal with it; the application runs in this process."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import httpx
import pytest
from conftest import Bench
from contract.inprocess import House, new_database, running

from service.actions.verify import verify
from service.store.writer import Reader

TODAY = date.today()


@pytest.fixture(scope="module", params=["sqlite", "postgresql"], name="house")
def house_(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    url = f"sqlite:///{tmp_path_factory.mktemp('buying')}/books.db"
    if request.param == "postgresql":
        url = new_database(request.getfixturevalue("postgresql"), "buying")
    with running(url) as found:
        yield found


@pytest.fixture(name="owner")
def owner_(house: House) -> Iterator[httpx.Client]:
    """Takes the place of a server's owner, so that `bench` and `stocked` are workshops of this house."""
    with house.client(house.new_workshop()) as client:
        yield client


def broken(house: House) -> list[str]:
    """The laws that the books break."""
    return Reader(house.engine).read(verify)


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
