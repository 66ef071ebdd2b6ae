"""What a request tells is kept or refused, never passed over; what is not stocked is never drawn."""

from typing import Any

import httpx
import pytest
from conftest import Bench, Server


def _refused(bench: Bench, path: str, expect: int = 422, method: str = "POST", **body: object) -> dict[str, Any]:
    answer = bench.client.request(method, f"/v1/{path}", json=body)
    assert answer.status_code == expect, answer.text
    return answer.json()  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("path", "parameter", "allowed"),
    [
        ("runs?kinds=run", "kinds", "after, limit, state"),
        ("materials?limt=2", "limt", "after, limit"),
        ("materials/shea?att=2026-09-30", "att", "at, known_at"),
        ("workshop?x=1", "x", "none"),
        ("lots?item=shea&item=wax", "item", "after, empty, expires_before, item, limit, place, status"),
    ],
)
def test_a_parameter_that_is_misspelt_or_given_twice_is_named(bench: Bench, path: str, parameter: str, allowed: str) -> None:
    answer = bench.client.get(f"/v1/{path}")
    assert answer.status_code == 422, answer.text
    assert [one["parameter"] for one in answer.json()["errors"]] == [parameter]
    assert answer.json()["errors"][0]["allowed"] == f"once each: {allowed}"


def test_every_method_of_an_address_is_allowed(bench: Bench) -> None:
    """RFC 9110, section 10.2.1: `Allow` lists the methods of the target resource."""
    assert bench.client.put("/v1/materials", json={}).headers["Allow"] == "GET, POST"
    assert bench.client.delete("/v1/materials/shea").headers["Allow"] == "GET, PATCH"
    assert bench.client.delete("/v1/checks").headers["Allow"] == "GET, POST"


def test_what_stood_in_a_query_is_called_a_parameter(bench: Bench) -> None:
    def parameters(path: str, status: int) -> list[str]:
        answer = bench.client.get(f"/v1/{path}")
        assert answer.status_code == status, answer.text
        return [one.get("parameter") for one in answer.json()["errors"]]

    assert parameters("checks?product=nope&units=3", 404) == ["product"]
    assert parameters("deliveries?supplier=nope", 404) == ["supplier"]
    assert "404" in bench.client.get("/openapi.json").json()["paths"]["/v1/deliveries"]["get"]["responses"]
    assert parameters("products/nope", 404) == ["code"]
    assert parameters("runs/nope", 404) == ["batch"]
    assert parameters("places/no/where", 404) == ["place"]
    assert parameters("formulas/balm?version=9", 404) == ["version"]
    for query, name in (
        ("batch_g=0", "batch_g"), ("batch_g=0.0004", "batch_g"), ("fraction=0", "fraction"), ("units=3", "units"),
        ("batch_g=1&fraction=1", "fraction"), ("fraction=1000000000", "fraction"), ("product=balm-50", "product"),
    ):  # fmt: skip
        assert parameters(f"formulas/balm/sheet?{query}", 422) == [name]
    assert bench.client.get("/v1/formulas/nope").json()["detail"] == "there is no formula 'nope'"


def test_every_reader_sees_the_tokens_and_none_of_their_secrets(server: Server, bench: Bench) -> None:
    phone = str(bench.post("tokens", name="phone", scopes=["read"])["token"])
    with server.client(phone) as reader:
        listed = reader.get("/v1/tokens")
        assert listed.status_code == 200, listed.text
        assert {one["name"] for one in listed.json()["items"]} >= {"phone"}
        assert {one["token"] for one in listed.json()["items"]} == {None}
        assert reader.post("/v1/tokens", json={"name": "x", "scopes": ["read"]}).status_code == 403


def test_a_run_keeps_all_it_is_told(stocked: Bench) -> None:
    stocked.post("products", code="box", name="Box", contains=[{"product": "balm-50", "quantity": 2}])
    bulk = stocked.post("runs", formula="balm", batch_g=1000)["batch"]
    before = stocked.get("runs")
    size = {"product": "balm-50", "units": 2}
    for wrong, said in (
        ({"formula": "balm", "batch_g": 100, "made_g": 0}, "scrapped"),
        ({"formula": "balm", "batch_g": 100, "left_over_g": 0}, "scrapped"),
        ({"formula": "balm", "batch_g": 100, "made_g": 40, "left_over_g": 50}, "left_over_g"),
        ({"formula": "balm", "filled": [size], "made_g": 40}, "made_g"),
        ({"formula": "balm", "filled": [size, size]}, "twice"),
        ({"product": "box", "units": 2, "bulk": bulk["code"]}, "bulk"),
        ({"product": "balm-50", "units": 2, "planned_on": "2100-01-01"}, "planned_on"),
        ({"product": "balm-50", "units": 2, "status": "planned", "made_on": "2026-01-05"}, "made_on"),
    ):
        assert said in _refused(stocked, "runs", **wrong)["detail"]
    assert stocked.get("runs") == before
    assert _refused(stocked, "runs", formula="balm", fraction=0)["errors"][0]["pointer"] == "#/fraction"
    assert _refused(stocked, "runs", 404, formula="balm", batch_g=5, version=9)["errors"][0]["pointer"] == "#/version"
    used = [{"material": "shea", "quantity": 5, "instead_of": "nope"}]
    wrong = _refused(stocked, "runs", 404, product="balm-50", units=2, used=used)
    assert wrong["errors"][0]["pointer"] == "#/used/0/instead_of"
    scrapped = stocked.post("runs", product="balm-50", units=2, outcome="scrapped", reason="burnt")["batch"]
    assert (scrapped["lots"], scrapped["ready_on"]) == ([], None)


def test_a_run_uses_materials_and_says_once_what_it_used(stocked: Bench) -> None:
    def wrong(**use: object) -> str:
        answer = _refused(stocked, "runs", product="balm-50", units=2, used=[use])
        return str(answer["errors"][0]["pointer"])

    stocked.post("products", code="box", name="Box", contains=[{"product": "balm-50", "quantity": 2}])
    assert wrong(material="balm-50", quantity=1) == "#/used/0/material"
    assert wrong(material="box", quantity=1, instead_of="tin") == "#/used/0/material"
    assert wrong(material="oil", quantity=50, instead_of="wax") == "#/used/0/instead_of"
    made = stocked.post(
        "runs", product="balm-50", units=2, used=[{"material": "oil", "quantity": 50}, {"material": "wax", "quantity": 0}]
    )
    assert {use["material"]: use["quantity"] for use in made["used"]} == {"shea": 51.02, "oil": 50, "tin": 2}
    other = stocked.post("products", code="balm-40", name="Balm, 40 g", formula="balm", fill_g=40)["code"]
    boxed = stocked.post("runs", product="box", units=1, used=[{"material": other, "quantity": 2, "instead_of": "balm-50"}])
    assert {use["material"]: use["quantity"] for use in boxed["used"]} == {"balm-40": 2}


def test_a_day_out_of_range_is_said_as_a_day(bench: Bench) -> None:
    asked = bench.client.get("/v1/checks?product=balm-50&units=2&by=1999-01-01").json()
    told = _refused(bench, "checks", wants=[{"product": "balm-50", "units": 2}], by="1999-01-01")
    for answer, where in ((asked, "parameter"), (told, "pointer")):
        assert answer["detail"] == "by: must be at least 2000-01-01"
        field = {"detail": "must be at least 2000-01-01", "given": "1999-01-01", "allowed": "at least 2000-01-01"}
        assert answer["errors"] == [{"detail": field["detail"], where: "by" if where == "parameter" else "#/by", **field}]


def test_words_of_a_form_stay_words(stocked: Bench) -> None:
    form = {"product": "balm-50", "units": "2", "note": "true", "made_by": "False", "strict": "true"}
    made = stocked.client.post("/v1/runs", data=form)
    assert made.status_code == 201, made.text
    assert (made.json()["note"], made.json()["made_by"]) == ("true", "False")


@pytest.mark.parametrize("density", [0, 0.001, 26])
def test_a_density_is_one_that_things_have(bench: Bench, density: float) -> None:
    wrong = _refused(bench, "materials", code="thin", name="Thin", density_g_per_ml=density)
    assert wrong["errors"][0]["pointer"] == "#/density_g_per_ml"
    assert _refused(bench, "materials/shea", method="PATCH", density_g_per_ml=density)["status"] == 422


def test_a_bulk_follows_from_its_formula(bench: Bench) -> None:
    for name, value in (("shelf_life_days", 5), ("stocked", False), ("contains_water", True)):
        assert _refused(bench, "materials/balm", method="PATCH", **{name: value})["errors"][0]["pointer"] == f"#/{name}"
    lines = [{"material": "shea", "percent": 100}]
    bench.post("formulas/balm/versions", lines=lines, bulk_shelf_life_days=77)
    assert bench.get("materials/balm")["shelf_life_days"] == 77


def test_an_edit_is_found_by_its_code_and_nothing_told_is_no_edit(stocked: Bench) -> None:
    lot = stocked.get("lots?item=wax")["items"][0]["code"]
    told = {"status": "quarantined", "status_reason": "smells", "note": "second sniff"}
    assert stocked.client.patch(f"/v1/lots/{lot}", json=told).status_code == 200
    untouched = stocked.client.patch(f"/v1/lots/{lot}", json={})
    assert (untouched.status_code, untouched.json()["sentence"]) == (200, f"Lot {lot} is as it was.")
    edits = stocked.get(f"documents?lot={lot}&kind=edit")["items"]
    assert len(edits) == 1
    edit = stocked.get(f"documents/{edits[0]['document']}")
    assert (edit["note"], edit["set"]["status"], edit["set"]["status_reason"]) == ("second sniff", "quarantined", "smells")
    assert edit["movements"] == []


def test_a_correction_is_found_by_its_code_with_what_it_set_and_moved(stocked: Bench) -> None:
    receipt = stocked.post("receipts", material="oil", quantity=500)
    correction = stocked.post(f"receipts/{receipt['receipt']}/correction", quantity=450, note="weighed again")["correction"]
    assert stocked.get(f"receipts/{receipt['receipt']}")["corrections"] == [correction]
    shown = stocked.get(f"documents/{correction}")
    assert (shown["kind"], shown["corrects"], shown["note"]) == ("correction", receipt["receipt"], "weighed again")
    assert shown["set"]["quantity"] == 450
    again = stocked.get(f"receipts/{receipt['receipt']}")
    assert again["sentence"] == f"450 g of Olive oil booked as lot {receipt['lot']}."
    assert again["first"]["sentence"] == receipt["sentence"]
    assert shown["movements"] == [{"item": "oil", "lot": receipt["lot"], "quantity": -50, "cost": None}]
    assert stocked.client.get("/v1/documents/K-9999").status_code == 404


def test_a_place_is_for_production_or_not(bench: Bench) -> None:
    bench.post("receipts", material="wax", quantity=5, place="shelf")
    assert _refused(bench, "places/shelf", method="PATCH", production=None)["errors"][0]["pointer"] == "#/production"


@pytest.fixture
def watered(stocked: Bench) -> Bench:
    """A balm with a tenth of tap water, which is not stocked."""
    stocked.post("materials", code="tap", name="Tap water", inci="AQUA", stocked=False)
    lines = [{"material": "wax", "percent": 90}, {"material": "tap", "percent": 10}]
    stocked.post("formulas", code="wet", name="Wet wax", lines=lines)
    return stocked


def _water(bench: Bench) -> tuple[object, object]:
    tap = bench.get("materials/tap")
    return tap["on_hand"], tap["unbooked"]


def test_a_reversal_leaves_the_water_of_other_runs_alone(server: Server, watered: Bench) -> None:
    first = watered.post("runs", formula="wet", batch_g=100)["batch"]["code"]
    second = watered.post("runs", formula="wet", batch_g=100)["batch"]["code"]
    reversal = watered.post("reversals", document=second, reason="told twice")
    assert reversal["moved"] == []
    assert reversal["sentence"] == f"Run {second} is reversed."
    assert _water(watered) == (0, 0)
    assert watered.get(f"lots/{first}")["cost"] == 1.35  # 90 g of wax at 15.00/kg; water costs nothing
    assert server.command("verify").returncode == 0


def test_a_receipt_of_what_is_not_stocked_moves_no_run(server: Server, watered: Bench) -> None:
    made = watered.post("runs", formula="wet", batch_g=100)["batch"]["code"]
    receipt = watered.post("receipts", material="tap", quantity=1000, received_on="2026-01-05")
    assert receipt["moved"] == []
    assert _water(watered) == (1000, 0)
    assert watered.get(f"lots/{made}")["cost"] == 1.35
    assert server.command("verify").returncode == 0


def test_the_command_line_refuses_what_the_api_refuses(server: Server, owner: httpx.Client) -> None:
    proof = server.command("verify", "--workshop", "nowhere")
    assert proof.returncode == 2
    assert "there is no workshop 'nowhere'" in proof.stderr
    assert server.command("workshop", "add", " ").returncode == 2
    assert server.command("token", "add", "a\nb").returncode == 2
