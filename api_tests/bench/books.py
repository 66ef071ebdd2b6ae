"""The invented workshop of the benchmarks: a balm of 11 ingredients in 3 pieces of packaging, so 14 lines a run."""

from typing import Any

from api_tests.bench.wire import Wire, request

INGREDIENTS, PACKAGING, LOTS = 11, 3, 2
RUN = {"product": "balm", "units": 4}
CHECK = {"wants": [{"product": "balm", "units": 96}]}


def codes() -> list[str]:
    return [f"oil-{n:02}" for n in range(INGREDIENTS)] + [f"tin-{n:02}" for n in range(PACKAGING)]


def fill(wire: Wire, token: str) -> None:
    """Make the materials, the formula, the product, and deliveries enough for 20,000 runs of 4 units."""

    def post(path: str, **body: Any) -> None:
        wire.json(request("POST", f"/v1/{path}", token, body), 201)

    for code in codes():
        kind = "ingredient" if code.startswith("oil") else "packaging"
        post("materials", code=code, name=code.replace("-", " number "), kind=kind)
    lines: list[dict[str, Any]] = [{"material": f"oil-{n:02}", "percent": 9} for n in range(INGREDIENTS - 1)]
    lines.append({"material": f"oil-{INGREDIENTS - 1:02}", "percent": "rest"})
    post("formulas", code="base", name="Balm base", usual_batch_g=1000, process_loss_percent=2, lines=lines)
    packaging = [{"material": f"tin-{n:02}", "quantity": 1} for n in range(PACKAGING)]
    post("products", code="balm", name="Balm, 50 g", formula="base", fill_g=50, shelf_life_days=365, packaging=packaging)
    for code in codes():
        for n in range(LOTS):
            quantity = 90_000 if code.startswith("tin") else 900_000
            post("receipts", material=code, quantity=quantity, cost=1000, expires_on=f"{2040 + n}-01-01")


def runs(token: str, prefix: str, count: int) -> list[bytes]:
    """Requests to record runs, each with a key of its own."""
    return [request("POST", "/v1/runs", token, RUN, f"{prefix}-{n:06}") for n in range(count)]
