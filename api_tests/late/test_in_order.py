"""A paper recorded in order moves nothing older; a set whose insides moved says so where its label would now differ."""

from datetime import date, timedelta

from conftest import Bench


def ago(days: int) -> str:
    return str(date.today() - timedelta(days=days))


def test_papers_in_order_cause_no_corrections(stocked: Bench) -> None:
    lot = str(stocked.get("materials/shea")["lots"][0]["code"])  # type: ignore[index]
    for n in range(4):
        stocked.post("runs", product="balm-50", units=3)
        stocked.post("receipts", material="wax", quantity=100 + n, cost=2)
        named = [{"material": "shea", "lot": lot, "quantity": 20}]
        stocked.post("runs", product="balm-50", units=2, lots=named)
        stocked.post("disposals", lot=lot, quantity=5, reason="spoiled")
        stocked.post("counts", material="oil", counted=3000 - n)
        stocked.post(f"lots/{lot}/splits", quantity=10)
    kinds = {one["kind"] for one in stocked.get("documents?limit=200")["items"]}  # type: ignore[attr-defined]
    assert kinds == {"receipt", "run", "disposal", "count", "split"}


def test_a_set_says_when_the_date_on_its_label_would_differ(stocked: Bench) -> None:
    """Two sets took the jars that last to the later date; a batch written down late would have served them first."""
    stocked.post("materials", code="box", name="Box", kind="packaging")
    stocked.post("receipts", material="box", quantity=10, received_on=ago(60))
    stocked.post("products", code="pair", name="Pair of balms", contains=[{"product": "balm-50", "quantity": 2}],
                 packaging=[{"material": "box"}])  # fmt: skip
    stocked.post("runs", product="balm-50", units=10, made_on=ago(5), plan="none")
    pair = stocked.post("runs", product="pair", units=2, made_on=ago(3))
    assert pair["batch"]["best_before"] == str(date.today() - timedelta(days=5) + timedelta(days=365))  # type: ignore[index]
    code = pair["batch"]["code"]  # type: ignore[index]
    assert stocked.get(f"runs/{code}")["concerns"] == []
    late = stocked.post("runs", product="balm-50", units=3, made_on=ago(40), plan="none")
    shown = stocked.get(f"runs/{code}")
    assert shown["batch"]["best_before"] == pair["batch"]["best_before"], "what is printed stands"  # type: ignore[index]
    concern = shown["concerns"][0]  # type: ignore[index]
    assert concern["type"] == "date-would-differ"
    assert concern["lot"] == late["batch"]["lots"][0]["lot"]  # type: ignore[index]
    assert str(date.today() - timedelta(days=40) + timedelta(days=365)) in concern["reason"]


def test_an_edit_of_a_lot_is_rehearsed_and_says_what_it_moved(stocked: Bench) -> None:
    lot = stocked.post("receipts", material="tin", quantity=20, status="quarantined")["lot"]
    stocked.post("runs", product="balm-50", units=110)
    dry = stocked.client.patch(f"/v1/lots/{lot}", json={"status": "released", "effective_on": ago(0), "dry_run": True}).json()
    assert [(one["to_lot"], one["quantity"]) for one in dry["moved"]] == [(lot, 10)]
    assert stocked.get(f"lots/{lot}")["status"] == "quarantined"
    real = stocked.client.patch(f"/v1/lots/{lot}", json={"status": "released", "effective_on": ago(0)}).json()
    assert real["moved"] == dry["moved"]
    assert real["sentence"].endswith(f"; batch B-0001 now shows lot {lot}; nothing of Tin is unbooked any more.")
    assert stocked.get("materials/tin")["unbooked"] == 0
