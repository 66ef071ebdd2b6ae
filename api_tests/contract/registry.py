"""A valid request for every operation of the OpenAPI page: what the walls, the fuzzing and the statements start from.

A new operation without an entry here fails `test_walls.py`. An entry makes what its request names (through the API,
with the owner's token) and answers the request; nothing is shared with another entry except the workshop's catalogue.
"""

import itertools
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Literal

import httpx

PROMOTION = {"kind": "promotion", "from_on": "2026-03-02", "until_on": "2026-03-08"}
METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True)
class Ask:
    """One request: what stands in the path's braces, the body, the query."""

    path: dict[str, str] = field(default_factory=dict)
    body: dict[str, Any] | None = None
    query: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Entry:
    """How an operation is asked, which scope it needs (None: no token), and what another workshop's token gets."""

    needs: Literal["read", "record", "manage"] | None
    make: Callable[["World"], Ask]
    stranger: Literal["absent", "empty", "own"] = "absent"  # 404 | {"items": []} | works in the stranger's own workshop


class World:
    """A workshop of a balm in tins and a gift set, stocked; `mark` is in every name and code of it."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client
        self.mark = secrets.token_hex(3)
        self._numbers = itertools.count(1)
        self.oil, self.wax, self.tin = (f"{name}-{self.mark}" for name in ("oil", "wax", "tin"))
        self.balm, self.product = f"balm-{self.mark}", f"balm-50-{self.mark}"
        self.post("materials", code=self.oil, name=f"Oil {self.mark}", density_g_per_ml="0.92", shelf_life_days=400)
        self.post("materials", code=self.wax, name=f"Wax {self.mark}")
        self.post("materials", code=self.tin, name=f"Tin {self.mark}", kind="packaging")
        self.post("formulas", **self.formula(self.balm))
        self.post("products", **self.filled(self.product))
        self.receipt = self.delivery(self.oil, 5_000_000, cost=40_000)
        self.delivery(self.wax, 5_000_000, cost=90_000)
        self.delivery(self.tin, 5_000, cost=1_500)

    def formula(self, code: str) -> dict[str, Any]:
        lines = [{"material": self.oil, "percent": 75, "phase": "A"}, {"material": self.wax, "percent": "rest"}]
        return {"code": code, "name": f"Balm {self.mark}", "usual_batch_g": 1000, "lines": lines}

    def filled(self, code: str) -> dict[str, Any]:
        packaging = [{"material": self.tin, "quantity": 1}]
        named = {"code": code, "name": f"Balm {self.mark}, 50 g", "shelf_life_days": 365}
        return {**named, "formula": self.balm, "fill_g": 50, "packaging": packaging}

    def fresh(self, stem: str) -> str:
        """A code nothing has yet."""
        return f"{stem}-{self.mark}-{next(self._numbers)}"

    def post(self, path: str, **body: Any) -> dict[str, Any]:
        answer = self.client.post(f"/v1/{path}", json=body)
        assert answer.status_code == 201, (path, body, answer.text)
        return answer.json()  # type: ignore[no-any-return]

    def delivery(self, material: str, quantity: float, **more: Any) -> dict[str, Any]:
        return self.post("receipts", material=material, quantity=quantity, supplier=f"Mill {self.mark}", **more)

    def lot(self) -> str:
        return str(self.delivery(self.oil, 500, cost=4)["lot"])

    def count(self) -> dict[str, Any]:
        return self.post("counts", lot=self.lot(), counted=499)

    def disposal(self) -> dict[str, Any]:
        return self.post("disposals", lot=self.lot(), quantity=1, reason="spoiled")

    def reversal(self) -> dict[str, Any]:
        return self.post("reversals", document=self.disposal()["disposal"], reason=f"twice {self.mark}")

    def split(self, **more: Any) -> dict[str, Any]:
        return self.post(f"lots/{self.lot()}/splits", quantity=100, **more)

    def place(self) -> str:
        return str(self.split(place=f"box {next(self._numbers)} {self.mark}")["place"])

    def run(self) -> str:
        return str(self.post("runs", product=self.product, units=2, plan="none")["batch"]["code"])

    def plan(self) -> str:
        made = self.post("runs", product=self.product, units=2, status="planned", planned_on="2100-01-01")
        return str(made["batch"]["code"])

    def order(self, units: int = 2) -> str:
        lines = [{"product": self.product, "units": units, "unit_price": 7}]
        made = self.post("orders", reference=self.fresh("order"), channel="wholesale", customer=f"Shop {self.mark}", lines=lines)
        return str(made["reference"])

    def shipment(self, order: str | None = None) -> dict[str, Any]:
        self.run()
        return self.post(f"orders/{order or self.order()}/shipments")

    def sent_back(self) -> dict[str, Any]:
        order = self.order()
        lot = self.shipment(order)["taken"][0]["lot"]
        return self.post(f"orders/{order}/returns", batch=lot, units=1, condition="dented")

    def export(self) -> dict[str, Any]:
        """A shop's file with one new order."""
        line = f"{self.fresh('shop')},2026-01-05,{self.product},3"
        return {"csv": f"Order,Date,Product,Quantity\n{line}\n", "skip_unknown": True}

    def supplier(self) -> str:
        return str(self.post("suppliers", code=self.fresh("mill"), name=f"Mill {self.mark}", delivery_charge=5)["code"])

    def offered(self, supplier: str | None = None) -> dict[str, Any]:
        pack = {"quantity": 1, "unit": "l"}
        named = {"supplier": supplier or self.supplier(), "material": self.oil, "article": f"O {self.mark}"}
        return self.post("offers", **named, pack=pack, price=9, breaks=[{"packs": 5, "price": 8}], claims=["organic"])

    def drafted(self) -> str:
        offer = self.offered()
        lines = [{"offer": offer["code"], "packs": 2}, {"material": self.wax, "quantity": 500, "price": 8}]
        return str(self.post("purchase-orders", supplier=offer["supplier"], lines=lines, note=f"Note {self.mark}")["code"])

    def placed(self) -> str:
        code = self.drafted()
        answer = self.client.post(f"/v1/purchase-orders/{code}/placement", json={})
        assert answer.status_code == 200, answer.text
        return code

    def delivered(self) -> dict[str, Any]:
        return self.post(f"purchase-orders/{self.placed()}/deliveries", note_number=self.mark, delivery_charge=5)

    def purchase_plan(self) -> str:
        """A plan that orders a material which an order lacks."""
        material, offer = self.fresh("pomade"), self.fresh("scent")
        self.post("materials", code=offer, name=f"Scent {offer}")
        self.post("formulas", **self.formula(material) | {"lines": [{"material": offer, "percent": "rest"}]})
        product = self.fresh("jar")
        self.post("products", code=product, name=f"Jar {product}", formula=material, fill_g=50)
        lines = [{"product": product, "units": 20, "unit_price": 7}]
        due = str(date.today() + timedelta(days=30))
        self.post("orders", reference=self.fresh("order"), channel="wholesale", due_on=due, lines=lines)
        self.post("offers", supplier=self.supplier(), material=offer, pack={"quantity": 500, "unit": "g"}, price=9)
        return str(self.post("purchase-plans", materials=[offer], by=due)["code"])

    def imagined(self) -> dict[str, Any]:
        return {"what_if": [{"product": self.product, "units": 24, "due_on": "2100-01-01"}]}

    def alert(self) -> str:
        """Of a lot that came when its last usable day was over."""
        lot = self.delivery(self.oil, 5, expires_on="2020-01")["lot"]
        found = self.client.get("/v1/alerts", params={"limit": 200, "kind": "expired-on-the-shelf"}).json()["items"]
        return str(next(one["alert"] for one in found if one["subject"] == lot))

    def webhook(self) -> str:
        return str(self.post("webhooks", url=f"https://receiver.example/{self.mark}", name=f"Display {self.mark}")["code"])

    def mail_receiver(self) -> str:
        return str(self.post("mail-receivers", address=f"maker-{self.mark}@workshop.example")["code"])

    def tried_out(self) -> str:
        return str(self.post(f"webhooks/{self.webhook()}/test")["code"])

    def calendar_feed(self) -> dict[str, Any]:
        return self.post("calendar-feeds", name=f"Phone {self.mark}")

    def mark_day(self) -> str:
        return str(self.post("calendar-marks", **PROMOTION, product=self.product, note=f"spring {self.mark}")["mark"])

    def token(self, *scopes: str) -> dict[str, Any]:
        return self.post("tokens", name=f"token {self.mark}", scopes=list(scopes) or ["read"])


def _wants(world: World) -> dict[str, Any]:
    return {"wants": [{"product": world.product, "units": 3}, {"formula": world.balm, "batch_g": 100}], "by": "2100-01-01"}


def _version(world: World) -> Ask:
    """Of a formula of its own: others' runs go on with the version they had."""
    code = str(world.post("formulas", **world.formula(world.fresh("salve")))["code"])
    kept = {name: value for name, value in world.formula(code).items() if name not in ("code", "name")}
    return Ask({"code": code}, kept | {"usual_batch_g": 1200})


def _material(world: World) -> Ask:
    return Ask(body={"code": world.fresh("clay"), "name": "Clay", "inci": "KAOLIN", "function": ["absorbent"], "notes": "dry"})


def _return(world: World) -> Ask:
    order = world.order()
    lot = world.shipment(order)["taken"][0]["lot"]
    return Ask({"reference": order}, {"batch": lot, "units": 1, "condition": "dented"})


def _batch_plan(world: World) -> Ask:
    world.post("orders", due_on="2100-01-01", lines=[{"product": world.product, "units": 1}])
    return Ask({"code": "2100-01-01"}, {})  # a plan's whole code holds only until the next act of anyone


def _calendar(world: World) -> Ask:
    return Ask(query={"token": world.calendar_feed()["secret_address"].partition("?token=")[2]})


def _customer(world: World) -> Ask:
    world.order()
    return Ask({"customer": f"Shop {world.mark}"})


def _purchase_order(world: World) -> Ask:
    offer = world.offered()
    return Ask(body={"supplier": offer["supplier"], "lines": [{"offer": offer["code"], "packs": 3}]})


def _free_delivery(world: World) -> Ask:
    lines = [
        {"material": world.oil, "quantity": 2, "unit": "l", "price": 18},
        {"material": world.tin, "quantity": 10, "price": 3},
    ]
    return Ask(body={"supplier": world.supplier(), "delivery_charge": 5, "lines": lines})


def _offer(world: World) -> Ask:
    return Ask(body={"supplier": world.supplier(), "material": world.wax, "pack": {"quantity": 2, "unit": "kg"}, "price": 30})


ENTRIES: dict[str, Entry] = {
    "GET /health/live": Entry(None, lambda _: Ask()),
    "GET /health/ready": Entry(None, lambda _: Ask()),
    "GET /v1/workshop": Entry("read", lambda _: Ask(), "own"),
    "PATCH /v1/workshop": Entry("manage", lambda _: Ask(body={"expiry_warning_days": 45}), "own"),
    "POST /v1/tokens": Entry("manage", lambda _: Ask(body={"name": "phone", "scopes": ["record"]}), "own"),
    "GET /v1/tokens": Entry("read", lambda _: Ask(query={"limit": 200}), "own"),
    "DELETE /v1/tokens/{code}": Entry("manage", lambda w: Ask({"code": w.token()["code"]})),
    "POST /v1/materials": Entry("manage", _material, "own"),
    "GET /v1/materials": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/materials/{code}": Entry("read", lambda w: Ask({"code": w.oil})),
    "PATCH /v1/materials/{code}": Entry("manage", lambda w: Ask({"code": w.oil}, {"notes": "Keep cool."})),
    "GET /v1/materials/{code}/movements": Entry("read", lambda w: Ask({"code": w.oil}, query={"limit": 2})),
    "POST /v1/formulas": Entry("manage", lambda w: Ask(body=w.formula(w.fresh("salve")))),
    "GET /v1/formulas": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/formulas/{code}": Entry("read", lambda w: Ask({"code": w.balm}, query={"version": 1})),
    "PATCH /v1/formulas/{code}": Entry("manage", lambda w: Ask({"code": w.balm}, {"preservation_note": "No water."})),
    "POST /v1/formulas/{code}/versions": Entry("manage", _version),
    "GET /v1/formulas/{code}/sheet": Entry("read", lambda w: Ask({"code": w.balm}, query={"product": w.product, "units": 4})),
    "POST /v1/products": Entry("manage", lambda w: Ask(body=w.filled(w.fresh("tin")))),
    "GET /v1/products": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/products/{code}": Entry("read", lambda w: Ask({"code": w.product})),
    "PATCH /v1/products/{code}": Entry("manage", lambda w: Ask({"code": w.product}, {"shelf_life_days": 300})),
    "GET /v1/products/{code}/movements": Entry("read", lambda w: Ask({"code": w.product})),
    "POST /v1/receipts": Entry("record", lambda w: Ask(body={"material": w.oil, "quantity": 1, "unit": "l", "cost": 9})),
    "GET /v1/receipts": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/receipts/{receipt}": Entry("read", lambda w: Ask({"receipt": w.receipt["receipt"]})),
    "GET /v1/lots": Entry("read", lambda w: Ask(query={"item": w.oil, "empty": "true", "limit": 200}), "empty"),
    "GET /v1/lots/{code}": Entry("read", lambda w: Ask({"code": w.receipt["lot"]})),
    "PATCH /v1/lots/{code}": Entry("record", lambda w: Ask({"code": w.lot()}, {"place": "shelf 2"})),
    "POST /v1/lots/{code}/splits": Entry("record", lambda w: Ask({"code": w.lot()}, {"quantity": 50, "place": "market box"})),
    "GET /v1/splits": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/splits/{split}": Entry("read", lambda w: Ask({"split": w.split()["split"]})),
    "GET /v1/places": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/places/{place}": Entry("read", lambda w: Ask({"place": w.place()})),
    "PATCH /v1/places/{place}": Entry("manage", lambda w: Ask({"place": w.place()}, {"production": False}), "own"),
    "POST /v1/receipts/{receipt}/correction": Entry(
        "record", lambda w: Ask({"receipt": w.delivery(w.wax, 100)["receipt"]}, {"quantity": 90, "cost": 3})
    ),
    "POST /v1/runs/{batch}/correction": Entry("record", lambda w: Ask({"batch": w.run()}, {"units": 3})),
    "POST /v1/counts": Entry("record", lambda w: Ask(body={"material": w.tin, "counted": 4000})),
    "GET /v1/counts": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/counts/{count}": Entry("read", lambda w: Ask({"count": w.count()["count"]})),
    "POST /v1/disposals": Entry("record", lambda w: Ask(body={"lot": w.lot(), "quantity": 20, "reason": "spoiled"})),
    "GET /v1/disposals": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/disposals/{disposal}": Entry("read", lambda w: Ask({"disposal": w.disposal()["disposal"]})),
    "POST /v1/reversals": Entry("record", lambda w: Ask(body={"document": w.disposal()["disposal"], "reason": "twice"})),
    "GET /v1/reversals": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/reversals/{reversal}": Entry("read", lambda w: Ask({"reversal": w.reversal()["reversal"]})),
    "GET /v1/documents": Entry("read", lambda w: Ask(query={"limit": 200}), "empty"),
    "GET /v1/documents/{document}": Entry("read", lambda w: Ask({"document": w.count()["count"]})),
    "POST /v1/checks": Entry("read", lambda w: Ask(body=_wants(w))),
    "GET /v1/checks": Entry("read", lambda w: Ask(query={"product": w.product, "units": 3})),
    "POST /v1/runs": Entry("record", lambda w: Ask(body={"product": w.product, "units": 2, "plan": "none"})),
    "GET /v1/runs": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/runs/{batch}": Entry("read", lambda w: Ask({"batch": w.run()})),
    "POST /v1/runs/{batch}/completion": Entry("record", lambda w: Ask({"batch": w.plan()}, {"units_made": 1})),
    "POST /v1/orders": Entry("manage", lambda w: Ask(body={"lines": [{"product": w.product, "units": 2, "unit_price": 7}]})),
    "GET /v1/orders": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/orders/{reference}": Entry("read", lambda w: Ask({"reference": w.order()})),
    "PATCH /v1/orders/{reference}": Entry("manage", lambda w: Ask({"reference": w.order()}, {"due_on": "2100-01-01"})),
    "POST /v1/orders/{reference}/shipments": Entry("record", lambda w: Ask({"reference": w.order()}, {"note": "by bicycle"})),
    "POST /v1/orders/{reference}/returns": Entry("record", _return),
    "GET /v1/shipments": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/shipments/{shipment}": Entry("read", lambda w: Ask({"shipment": w.shipment()["shipment"]})),
    "GET /v1/returns": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/returns/{return}": Entry("read", lambda w: Ask({"return": w.sent_back()["return"]})),
    "POST /v1/market-days": Entry("record", lambda w: Ask(body={"lines": [{"product": w.product, "units": 1}]})),
    "GET /v1/customers": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/customers/{customer}": Entry("read", _customer),
    "PATCH /v1/customers/{customer}": Entry("manage", lambda w: Ask(_customer(w).path, {"min_life_days": 10}), "own"),
    "POST /v1/runs/{batch}/cancellation": Entry("record", lambda w: Ask({"batch": w.plan()}, {"reason": "no time"})),
    "POST /v1/batch-plans": Entry("read", lambda _: Ask(body={"until": "2100-01-01"}), "own"),
    "POST /v1/batch-plans/{code}/runs": Entry("record", _batch_plan, "own"),
    "POST /v1/imports/orders": Entry("manage", lambda w: Ask(body=w.export()), "own"),
    "GET /v1/forecasts/{product}": Entry("read", lambda w: Ask({"product": w.product}, query={"weeks": 4})),
    "GET /v1/cover": Entry("read", lambda _: Ask(), "own"),
    "POST /v1/cover": Entry("read", lambda w: Ask(body=w.imagined())),
    "GET /v1/cover/{material}": Entry("read", lambda w: Ask({"material": w.oil})),
    "POST /v1/suppliers": Entry(
        "manage", lambda w: Ask(body={"code": w.fresh("mill"), "name": "Mill", "lead_time_days": 6}), "own"
    ),
    "GET /v1/suppliers": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/suppliers/{code}": Entry("read", lambda w: Ask({"code": w.supplier()})),
    "PATCH /v1/suppliers/{code}": Entry("manage", lambda w: Ask({"code": w.supplier()}, {"review_days": 14})),
    "POST /v1/offers": Entry("manage", _offer),
    "GET /v1/offers": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/offers/{code}": Entry("read", lambda w: Ask({"code": w.offered()["code"]})),
    "PATCH /v1/offers/{code}": Entry("manage", lambda w: Ask({"code": w.offered()["code"]}, {"price": 9.5})),
    "POST /v1/purchase-orders": Entry("manage", _purchase_order),
    "GET /v1/purchase-orders": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/purchase-orders/{code}": Entry("read", lambda w: Ask({"code": w.placed()})),
    "PATCH /v1/purchase-orders/{code}": Entry("manage", lambda w: Ask({"code": w.placed()}, {"closed": [1]})),
    "POST /v1/purchase-orders/{code}/placement": Entry("manage", lambda w: Ask({"code": w.drafted()}, {})),
    "POST /v1/purchase-orders/{code}/cancellation": Entry("manage", lambda w: Ask({"code": w.placed()}, {"reason": "dear"})),
    "POST /v1/purchase-orders/{code}/deliveries": Entry("record", lambda w: Ask({"code": w.placed()}, {"delivery_charge": 5})),
    "POST /v1/purchase-plans": Entry("manage", lambda w: Ask(body={"budget": 100, "materials": [w.offered()["material"]]})),
    "GET /v1/purchase-plans": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/purchase-plans/{code}": Entry("read", lambda w: Ask({"code": w.purchase_plan()})),
    "POST /v1/purchase-plans/{code}/orders": Entry("manage", lambda w: Ask({"code": w.purchase_plan()}, {})),
    "POST /v1/deliveries": Entry("record", _free_delivery),
    "GET /v1/deliveries": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/deliveries/{delivery}": Entry("read", lambda w: Ask({"delivery": w.delivered()["delivery"]})),
    "GET /v1/alerts": Entry("read", lambda w: Ask(query={"limit": 200, "kind": "expired-on-the-shelf"}), "own"),
    "GET /v1/alerts/{code}": Entry("read", lambda w: Ask({"code": w.alert()})),
    "POST /v1/alerts/{code}/acknowledgement": Entry("record", lambda w: Ask({"code": w.alert()}, {})),
    "POST /v1/alerts/{code}/postponement": Entry("record", lambda w: Ask({"code": w.alert()}, {"until": "2100-01-01"})),
    "POST /v1/webhooks": Entry("manage", lambda _: Ask(body={"url": "https://receiver.example/a", "events": ["digest"]}), "own"),
    "GET /v1/webhooks": Entry("manage", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/webhooks/{code}": Entry("manage", lambda w: Ask({"code": w.webhook()})),
    "PATCH /v1/webhooks/{code}": Entry("manage", lambda w: Ask({"code": w.webhook()}, {"active": False})),
    "DELETE /v1/webhooks/{code}": Entry("manage", lambda w: Ask({"code": w.webhook()})),
    "POST /v1/webhooks/{code}/secret": Entry("manage", lambda w: Ask({"code": w.webhook()}, {})),
    "POST /v1/webhooks/{code}/test": Entry("manage", lambda w: Ask({"code": w.webhook()}, {})),
    "POST /v1/mail-receivers": Entry("manage", lambda _: Ask(body={"address": "maker@workshop.example"}), "own"),
    "GET /v1/mail-receivers": Entry("manage", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/mail-receivers/{code}": Entry("manage", lambda w: Ask({"code": w.mail_receiver()})),
    "PATCH /v1/mail-receivers/{code}": Entry("manage", lambda w: Ask({"code": w.mail_receiver()}, {"what": ["digest"]})),
    "DELETE /v1/mail-receivers/{code}": Entry("manage", lambda w: Ask({"code": w.mail_receiver()})),
    "POST /v1/mail-receivers/{code}/test": Entry("manage", lambda w: Ask({"code": w.mail_receiver()}, {})),
    "GET /v1/dispatches": Entry("manage", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/dispatches/{code}": Entry("manage", lambda w: Ask({"code": w.tried_out()})),
    "POST /v1/dispatches/{code}/retry": Entry("manage", lambda w: Ask({"code": w.tried_out()}, {})),
    "POST /v1/calendar-feeds": Entry("manage", lambda _: Ask(body={"name": "phone"}), "own"),
    "GET /v1/calendar-feeds": Entry("manage", lambda _: Ask(query={"limit": 200}), "empty"),
    "DELETE /v1/calendar-feeds/{code}": Entry("manage", lambda w: Ask({"code": w.calendar_feed()["code"]})),
    "GET /v1/calendar.ics": Entry(None, _calendar),
    "POST /v1/calendar-marks": Entry("manage", lambda w: Ask(body={**PROMOTION, "product": w.product})),
    "GET /v1/calendar-marks": Entry("read", lambda _: Ask(query={"limit": 200}), "empty"),
    "GET /v1/calendar-marks/{mark}": Entry("read", lambda w: Ask({"mark": w.mark_day()})),
    "PATCH /v1/calendar-marks/{mark}": Entry("manage", lambda w: Ask({"mark": w.mark_day()}, {"note": "rain"})),
    "DELETE /v1/calendar-marks/{mark}": Entry("manage", lambda w: Ask({"mark": w.mark_day()})),
}


def operations(openapi: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Every operation of an OpenAPI page by `METHOD /path`."""
    return {
        f"{method.upper()} {path}": operation
        for path, found in openapi["paths"].items()
        for method, operation in found.items()
        if method in METHODS
    }


def entry(operation: str) -> Entry:
    """The operation's entry; a sentence that says what to do when there is none."""
    assert operation in ENTRIES, f"{operation} has no valid request in api_tests/contract/registry.py: add an entry for it"
    return ENTRIES[operation]


def send(client: httpx.Client, operation: str, ask: Ask, **more: Any) -> httpx.Response:
    """Make a request."""
    method, path = operation.split(" ", 1)
    return client.request(method, path.format(**ask.path), json=ask.body, params=ask.query, **more)


def succeeded(operation: dict[str, Any]) -> int:
    """The 2xx an operation documents."""
    found = [int(status) for status in operation["responses"] if status.startswith("2")]
    assert len(found) == 1 or sorted(found) == [200, 201], found  # 200 beside 201: a dry run
    return max(found)
