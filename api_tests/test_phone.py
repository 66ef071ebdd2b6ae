"""The phone at the bench: a form, a key, a sentence; tried again when the answer is lost."""

import threading

import httpx
from conftest import PLAIN, Bench, Server


def test_the_same_key_never_deducts_twice(stocked: Bench) -> None:
    request = {"product": "balm-50", "units": "24"}
    headers = {"Idempotency-Key": "bench-1", "Accept": "text/plain"}
    first = stocked.client.post("/v1/runs", data=request, headers=headers)
    again = stocked.client.post("/v1/runs", data=request, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.text == again.text
    assert first.text.startswith("24 of Balm, 50 g recorded as batch B-0001; ")
    as_json = stocked.client.post("/v1/runs", json={"product": "balm-50", "units": "24"}, headers=headers)
    assert as_json.status_code == 201
    assert stocked.get("materials/tin")["on_hand"] == 76
    other = stocked.client.post("/v1/runs", data={"product": "balm-50", "units": "25"}, headers=headers)
    assert other.status_code == 422


def test_both_at_once_deduct_once(server: Server, stocked: Bench) -> None:
    answers: list[httpx.Response] = []

    def post() -> None:
        headers = {"Idempotency-Key": "both", "Authorization": stocked.client.headers["authorization"]}
        body = {"product": "balm-50", "units": 10}
        answers.append(httpx.post(f"{server.base}/v1/runs", json=body, headers=headers, timeout=30, verify=PLAIN))

    threads = [threading.Thread(target=post) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.text for answer in answers}) == 1
    assert stocked.get("materials/tin")["on_hand"] == 90


def test_errors_are_one_sentence_too(stocked: Bench) -> None:
    answer = stocked.client.post("/v1/runs", data={"product": "no-such", "units": "2"}, headers={"Accept": "text/plain"})
    assert answer.status_code == 404
    assert answer.text == "there is no product 'no-such'\n"


def test_a_phone_token_records_and_reads_and_no_more(server: Server, stocked: Bench) -> None:
    made = stocked.post("tokens", name="phone", scopes=["record"])
    with server.client(str(made["token"])) as phone:
        assert phone.get("/v1/materials").status_code == 200
        run = phone.post("/v1/runs", data={"product": "balm-50", "units": "3"})
        assert run.status_code == 201
        assert phone.post("/v1/materials", json={"code": "x", "name": "X"}).status_code == 403
        back = {"document": run.json()["batch"]["code"], "reason": "typed wrong"}
        assert phone.post("/v1/reversals", json=back).status_code == 201
        assert stocked.client.delete(f"/v1/tokens/{made['code']}").status_code == 204
        assert phone.get("/v1/materials").status_code == 401
