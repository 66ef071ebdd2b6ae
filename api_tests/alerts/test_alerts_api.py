"""Alerts over HTTP, on both engines: listed as the books are now, shown with their history, acknowledged, put off."""

from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from conftest import Bench, Server

TODAY = datetime.now(UTC).date()


def ahead(days: int) -> str:
    return str(TODAY + timedelta(days=days))


def items(bench: Bench, **asked: object) -> list[dict[str, Any]]:
    answer = bench.client.get("/v1/alerts", params={"limit": 200, **asked})  # type: ignore[dict-item]
    assert answer.status_code == 200, answer.text
    return answer.json()["items"]  # type: ignore[no-any-return]


def text(bench: Bench) -> str:
    return bench.client.get("/v1/alerts", headers={"Accept": "text/plain"}).text


def test_nothing_needs_doing(stocked: Bench) -> None:
    assert text(stocked) == "Nothing needs doing today.\n"
    found = stocked.get("alerts")
    assert found == {
        "as_of": str(TODAY), "forecast_as_of": str(TODAY), "sentence": "Nothing needs doing today.", "items": [],
    }  # fmt: skip


def test_what_was_just_recorded_is_told_and_closes_at_once(stocked: Bench) -> None:
    stocked.post("runs", product="balm-50", units=101)
    [alert] = items(stocked)
    assert (alert["kind"], alert["subject"], alert["severity"], alert["state"]) == ("count-wanted", "tin", "warning", "open")
    assert alert["sentence"] == "1 piece of Tin was used that is in no lot: count what is there."
    assert text(stocked) == alert["sentence"] + "\n"
    assert items(stocked) == [alert]  # looked at twice, changed once
    stocked.post("counts", material="tin", counted=0)
    assert items(stocked) == []
    [closed] = items(stocked, state="closed")
    assert closed == {
        **alert,
        "state": "closed",
        "speaks": False,
        "closed_at": closed["closed_at"],
        "updated_at": closed["updated_at"],
    }
    shown = stocked.get(f"alerts/{alert['alert']}")
    history = [(one["step"], one["by"], one["sentence"]) for one in shown.pop("history")]  # type: ignore[union-attr]
    assert shown == closed
    assert history == [("opened", None, alert["sentence"]), ("closed", None, alert["sentence"])]


def test_an_alert_is_updated_in_place_and_told_again_when_it_gets_worse(stocked: Bench) -> None:
    lot = stocked.post("receipts", material="oil", quantity=500, expires_on=ahead(20))["lot"]
    [alert] = items(stocked)
    assert (alert["kind"], alert["severity"], alert["day"]) == ("expires-soon", "notice", ahead(20))
    code = alert["alert"]
    seen = stocked.post(f"alerts/{code}/acknowledgement", 200)
    assert (seen["acknowledged"], seen["acknowledged_by"], seen["speaks"]) == ("notice", "owner", False)
    assert text(stocked) == "Nothing needs doing today.\n"
    assert [one["alert"] for one in items(stocked)] == [code]  # open, and quiet
    stocked.post("disposals", lot=lot, quantity=100, reason="tester")
    [smaller] = items(stocked)
    assert (smaller["alert"], smaller["facts"]["on_hand"], smaller["speaks"]) == (code, 400, False)
    stocked.client.patch(f"/v1/lots/{lot}", json={"expires_on": ahead(3)})
    [worse] = items(stocked)
    assert (worse["alert"], worse["severity"], worse["day"], worse["speaks"]) == (code, "warning", ahead(3), True)
    assert text(stocked) == worse["sentence"] + "\n"
    off = stocked.post(f"alerts/{code}/postponement", 200, until=ahead(2))
    assert (off["put_off_until"], off["put_off_by"], off["speaks"]) == (ahead(2), "owner", False)
    assert text(stocked) == "Nothing needs doing today.\n"
    stocked.client.patch(f"/v1/lots/{lot}", json={"expires_on": ahead(-1)})
    [expired] = items(stocked)
    assert (expired["kind"], expired["alert"] != code) == ("expired-on-the-shelf", True)
    steps = [(one["step"], one["severity"], one["until"], one["by"]) for one in stocked.get(f"alerts/{code}")["history"]]  # type: ignore[union-attr]
    assert steps == [
        ("opened", "notice", None, None), ("acknowledged", "notice", None, "owner"), ("updated", "notice", None, None),
        ("updated", "warning", None, None), ("put_off", "warning", ahead(2), "owner"), ("closed", "warning", None, None),
    ]  # fmt: skip
    for what, body in (("acknowledgement", {}), ("postponement", {"until": ahead(9)})):
        assert stocked.client.post(f"/v1/alerts/{code}/{what}", json=body).status_code == 409  # closed


def test_what_is_put_off_must_be_to_come(stocked: Bench) -> None:
    stocked.post("receipts", material="oil", quantity=500, expires_on=ahead(20))
    [alert] = items(stocked)
    for until in (ahead(0), ahead(-3), "soon", None):
        answer = stocked.client.post(f"/v1/alerts/{alert['alert']}/postponement", json={"until": until})
        assert answer.status_code == 422, until
        assert answer.json()["errors"][0]["pointer"] == "#/until"
    assert (
        "from " + ahead(1)
        in stocked.client.post(f"/v1/alerts/{alert['alert']}/postponement", json={"until": ahead(0)}).json()["errors"][0][
            "allowed"
        ]
    )
    assert items(stocked) == [alert]
    assert stocked.client.post("/v1/alerts/A-9999/acknowledgement", json={}).status_code == 404


def test_lists_come_in_pages_by_urgency_and_kind(stocked: Bench) -> None:
    stocked.post("runs", product="balm-50", units=102)
    for days in (25, 2, -4, 9, -400):
        stocked.post("receipts", material="oil", quantity=500, expires_on=ahead(days))
    every = items(stocked)
    severities = ["urgent", "warning", "notice"]
    ranks = [(severities.index(one["severity"]), one["day"] or "9999") for one in every]
    assert ranks == sorted(ranks)
    assert len(every) == 6
    assert text(stocked).splitlines() == [one["sentence"] for one in every]
    for state, wanted in (("open", every), ("all", sorted(every, key=lambda one: -int(one["alert"][2:])))):
        address: str | None = f"/v1/alerts?limit=2&state={state}"
        seen: list[Any] = []
        while address:
            answer = stocked.client.get(address)
            seen += answer.json()["items"]
            assert len(answer.json()["items"]) <= 2
            address = answer.links.get("next", {}).get("url")
        assert seen == wanted, state
    assert {one["kind"] for one in items(stocked, kind="expired-on-the-shelf")} == {"expired-on-the-shelf"}
    assert len(items(stocked, kind="expired-on-the-shelf", state="all")) == 2
    for kind in ("expired-on-the-shelf", "batch-ready"):
        said = stocked.client.get(f"/v1/alerts?kind={kind}", headers={"Accept": "text/plain"}).text.splitlines()
        mine = [one["sentence"] for one in every if one["kind"] == kind]
        assert said == (mine or ["Nothing of that kind needs doing today."])
    for wrong in ({"kind": "none"}, {"state": "new"}, {"limit": "0"}, {"after": "nowhere"}):
        assert stocked.client.get("/v1/alerts", params=wrong).status_code == 422, wrong
    tag = stocked.client.get("/v1/alerts").headers["ETag"]
    assert stocked.client.get("/v1/alerts", headers={"If-None-Match": tag}).status_code == 304


def test_a_phone_may_say_that_it_has_seen_an_alert(server: Server, stocked: Bench) -> None:
    stocked.post("receipts", material="oil", quantity=500, expires_on=ahead(5))
    [alert] = items(stocked)
    tokens = {scope: str(stocked.post("tokens", name=f"a {scope}", scopes=[scope])["token"]) for scope in ("read", "record")}
    with server.client(tokens["read"]) as reader:
        assert reader.get("/v1/alerts").json()["items"] == [alert]
        assert reader.post(f"/v1/alerts/{alert['alert']}/acknowledgement", json={}).status_code == 403
    with server.client(tokens["record"]) as phone:
        spoken: httpx.Response = phone.post(
            f"/v1/alerts/{alert['alert']}/acknowledgement", json={}, headers={"Accept": "text/plain", "Idempotency-Key": "seen-1"}
        )
        assert spoken.text == alert["sentence"] + "\n"
        again = phone.post(f"/v1/alerts/{alert['alert']}/acknowledgement", json={}, headers={"Idempotency-Key": "seen-1"})
        assert again.headers["Idempotent-Replay"] == "true"
    assert items(stocked)[0]["acknowledged_by"] == "a record"


def test_what_expires_unused_says_what_could_be_made_of_it(stocked: Bench) -> None:
    rows = ["order,date,channel,product,units"]
    rows += [f"o{back},{ahead(-back)},online,balm-50,{3 + back % 2}" for back in range(140, 0, -2)]
    stocked.post("imports/orders", csv="\n".join(rows) + "\n")
    stocked.post("counts", material="tin", counted=30)
    lot = stocked.post("receipts", material="oil", quantity=9_000, expires_on=ahead(60))["lot"]
    [alert] = items(stocked, kind="will-expire-unused")
    # some 12 a week of 50 g with 30.5 % oil, 2 % lost: about 0.19 kg a week, 1.6 kg in sixty days
    assert alert["subject"] == lot
    assert 6_000 <= alert["facts"]["unused"] <= 8_500
    [way] = alert["facts"]["use_up"]
    assert way["product"] == "balm-50"
    assert way["missing"] == [{"name": "Tin", "quantity": way["units"] - 30, "unit": "piece"}]
    assert way["uses"] == pytest.approx(way["units"] * 50 * 0.305 / 0.98, abs=1)
    assert 40 <= way["units"] <= 60  # what sells in four weeks, though it lasts a year
    assert alert["act"]["body"] == {
        "product": "balm-50", "units": way["units"], "status": "planned", "planned_on": str(TODAY),
    }  # fmt: skip
    assert f"{way['units']} x Balm, 50 g would use" in alert["sentence"]
