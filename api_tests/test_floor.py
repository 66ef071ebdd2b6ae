"""The main job by hand: receive, check, make, count, throw away, take back. On both engines, over HTTP."""

from conftest import Bench, Server


def test_a_run_deducts_exactly_what_the_sheet_says(stocked: Bench) -> None:
    """24 x 50 g and 2 % loss: 1,200 / 0.98 = 1,224.489796 g, rounded up to 1,224.490 g."""
    sheet = stocked.get("formulas/balm/sheet?product=balm-50&units=24")
    assert sheet["batch_g"] == 1224.49
    weighed = {line["material"]: line["quantity"] for line in sheet["lines"]}
    assert weighed == {"shea": 612.245, "oil": 373.469, "wax": 238.776}
    run = stocked.post("runs", product="balm-50", units=24)
    assert {use["material"]: use["quantity"] for use in run["used"]} == {**weighed, "tin": 24}
    assert run["shortages"] == []
    assert run["batch"]["units"] == 24
    assert stocked.get("materials/shea")["on_hand"] == 5000 - 612.245
    assert stocked.get("products/balm-50")["available"] == 24
    assert stocked.get(f"runs/{run['batch']['code']}")["sentence"] == run["sentence"]


def test_money_follows_grams(stocked: Bench) -> None:
    """Shea 10.00/kg, oil 8.00/kg, wax 15.00/kg, tin 0.35: by hand 6.12245 + 2.987752 + 3.58164 + 8.40."""
    run = stocked.post("runs", product="balm-50", units=24)
    assert run["cost"] == 21.091842
    assert run["unit_cost"] == 0.878827
    made = stocked.get("products/balm-50")["lots"][0]
    assert made["cost"] == run["cost"]
    stocked.post("disposals", lot=made["code"], quantity=24, reason="damaged")
    assert stocked.get("lots?empty=true&item=balm-50")["items"][0]["cost"] == 0


def test_unknown_cost_is_null_and_never_zero(bench: Bench) -> None:
    bench.post("receipts", material="shea", quantity=5000, cost=50)
    bench.post("receipts", material="oil", quantity=5000)
    bench.post("receipts", material="wax", quantity=5000, cost=50)
    bench.post("receipts", material="tin", quantity=10, cost=5)
    run = bench.post("runs", product="balm-50", units=2)
    assert run["cost"] is None
    assert run["unit_cost"] is None
    assert bench.get("products/balm-50")["lots"][0]["cost"] is None


def test_a_shortage_is_recorded_and_asks_for_a_count(stocked: Bench) -> None:
    run = stocked.post("runs", product="balm-50", units=110)
    short = {one["material"]: one["short"] for one in run["shortages"]}
    assert short["tin"] == 10
    tin = stocked.get("materials/tin")
    assert (tin["on_hand"], tin["unbooked"]) == (0, 10)
    assert any(warning["type"] == "count-wanted" for warning in run["warnings"])
    count = stocked.post("counts", material="tin", counted=3)
    assert (count["book"], count["difference"]) == (-10, 13)
    tin = stocked.get("materials/tin")
    assert (tin["on_hand"], tin["unbooked"]) == (3, 0)


def test_strict_refuses_and_changes_nothing(stocked: Bench) -> None:
    answer = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": 110, "strict": True})
    assert answer.status_code == 409
    assert answer.json()["type"] == "/problems/not-enough-stock"
    assert {one["material"] for one in answer.json()["shortages"]} == {"shea", "tin"} or answer.json()["shortages"]
    assert stocked.get("materials/tin")["on_hand"] == 100
    assert stocked.get("runs")["items"] == []


def test_check_names_the_shortage_and_the_most(stocked: Bench) -> None:
    enough = stocked.post("checks", expect=200, wants=[{"product": "balm-50", "units": 96}])
    assert enough["enough"] is True
    assert enough["makeable_units"] == {"balm-50": 100}
    assert enough["limiting_material"] == "wax" or enough["limiting_material"] == "shea" or enough["limiting_material"] == "tin"
    short = stocked.post("checks", expect=200, wants=[{"product": "balm-50", "units": 120}])
    assert short["enough"] is False
    assert {need["material"]: need["short"] for need in short["needs"]}["tin"] == 20
    assert "tin" in short["sentence"]


def test_first_expired_first_out_and_named_lots(bench: Bench) -> None:
    late = bench.post("receipts", material="wax", quantity=1000, expires_on="2034-01-01")["lot"]
    soon = bench.post("receipts", material="wax", quantity=100, expires_on="2033-01-01")["lot"]
    never = bench.post("receipts", material="wax", quantity=1000)["lot"]
    run = bench.post("runs", formula="balm", batch_g=1000, used=[{"material": "wax", "quantity": 195}])
    wax = [(use["lot"], use["quantity"], use["chosen"]) for use in run["used"] if use["material"] == "wax"]
    assert wax == [(soon, 100, "assumed"), (late, 95, "assumed")]
    run = bench.post("runs", formula="balm", batch_g=1000, lots=[{"material": "wax", "lot": never, "quantity": 150}])
    wax = [(use["lot"], use["quantity"], use["chosen"]) for use in run["used"] if use["material"] == "wax"]
    assert wax == [(never, 150, "named"), (late, 45, "assumed")]


def test_a_plan_claims_and_its_completion_frees(stocked: Bench) -> None:
    plan = stocked.post("runs", product="balm-50", units=60, status="planned")
    assert plan["state"] == "planned"
    assert stocked.get("materials/tin")["available"] == 40
    run = stocked.post("runs", product="balm-50", units=58)
    assert run["plan"] == plan["batch"]["code"] == run["batch"]["code"]
    tin = stocked.get("materials/tin")
    assert (tin["on_hand"], tin["claimed"], tin["available"]) == (42, 0, 42)
    stocked.post("reversals", document=run["batch"]["code"], reason="wrong day")
    tin = stocked.get("materials/tin")
    assert (tin["on_hand"], tin["claimed"]) == (100, 60)
    done = stocked.post(f"runs/{plan['batch']['code']}/completion", expect=200, units_made=59)
    assert done["batch"]["units"] == 59
    assert stocked.get("materials/tin")["on_hand"] == 41


def test_several_sizes_and_bulk_left_over(stocked: Bench) -> None:
    run = stocked.post("runs", formula="balm", batch_g=1000, filled=[{"product": "balm-50", "units": 10}], left_over_g=470)
    assert [lot["item"] for lot in run["batch"]["lots"]] == ["balm-50", "balm"]
    assert run["yield_percent"] == 97
    later = stocked.post("runs", product="balm-50", units=9, bulk=run["batch"]["lots"][1]["lot"])
    assert [(use["material"], use["quantity"]) for use in later["used"]] == [("balm", 450), ("tin", 9)]
    assert stocked.get("materials/balm")["on_hand"] == 20


def test_reversal_once_and_not_while_something_stands_on_it(stocked: Bench) -> None:
    receipt = stocked.post("receipts", material="shea", quantity=100)["receipt"]
    stocked.post("reversals", document=receipt, reason="booked twice")
    again = stocked.client.post("/v1/reversals", json={"document": receipt, "reason": "again"})
    assert again.status_code == 409
    assert stocked.get("materials/shea")["on_hand"] == 5000
    run = stocked.post("runs", product="balm-50", units=5)
    stocked.post("disposals", lot=run["batch"]["lots"][0]["lot"], quantity=1, reason="tester")
    held = stocked.client.post("/v1/reversals", json={"document": run["batch"]["code"], "reason": "no"})
    assert held.status_code == 409
    assert held.json()["holds"][0]["kind"] == "disposal"


def test_wrong_values_name_the_field(stocked: Bench) -> None:
    answer = stocked.client.post("/v1/receipts", json={"material": "shea", "quantity": "0.0001"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "#/quantity"
    lines = [{"material": "shea", "percent": 99}]
    answer = stocked.client.post("/v1/formulas", json={"code": "x", "name": "X", "lines": lines})
    assert answer.status_code == 422
    assert "99 %" in answer.json()["detail"]
    answer = stocked.client.post("/v1/receipts", content=b'{"material": "shea", "quantity": NaN}',
                                 headers={"content-type": "application/json"})  # fmt: skip
    assert answer.status_code == 422
    assert stocked.get("materials/shea")["on_hand"] == 5000


def test_conditional_requests(stocked: Bench) -> None:
    """RFC 9110 13.1: 304 on a fitting If-None-Match, 412 on a stale If-Match."""
    tag = stocked.client.get("/v1/materials/shea").headers["etag"]
    assert stocked.client.get("/v1/materials/shea", headers={"If-None-Match": tag}).status_code == 304
    assert stocked.client.patch("/v1/materials/shea", json={"name": "Shea"}, headers={"If-Match": tag}).status_code == 200
    assert stocked.client.patch("/v1/materials/shea", json={"name": "No"}, headers={"If-Match": tag}).status_code == 412
    assert stocked.get("materials/shea")["name"] == "Shea"


def test_the_books_add_up(server: Server, stocked: Bench) -> None:
    stocked.post("runs", product="balm-50", units=110)
    stocked.post("counts", material="shea", counted=10)
    stocked.post("counts", material="wax", counted=1)
    proof = server.command("verify")
    assert proof.returncode == 0, proof.stdout
