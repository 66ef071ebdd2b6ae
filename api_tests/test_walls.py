"""Every operation of the OpenAPI page: no token, an unknown token, another workshop's token."""

from conftest import Bench, Server


def test_every_operation_needs_a_token(server: Server, stocked: Bench) -> None:
    paths = stocked.client.get("/openapi.json").json()["paths"]
    seen = 0
    with server.client(None) as nobody, server.client("unknown.token") as stranger:
        for path, operations in paths.items():
            if not path.startswith("/v1"):
                continue
            for method in operations:
                address = path.replace("{", "").replace("}", "")
                seen += 1
                for caller in (nobody, stranger):
                    answer = caller.request(method.upper(), address, json={} if method in ("post", "patch") else None)
                    assert answer.status_code == 401 or (method == "get" and answer.status_code == 422), (method, path)
    assert seen >= 35


def test_another_workshop_sees_nothing(server: Server, stocked: Bench) -> None:
    run = stocked.post("runs", product="balm-50", units=2)
    lot = run["batch"]["lots"][0]["lot"]
    with server.client(server.new_workshop()) as other:
        for path in ("materials/shea", "products/balm-50", "formulas/balm", f"lots/{lot}", f"runs/{run['batch']['code']}"):
            assert other.get(f"/v1/{path}").status_code == 404, path
        for path in ("materials", "products", "formulas", "lots", "runs", "receipts"):
            assert other.get(f"/v1/{path}").json() == {"items": []}, path
        assert other.post("/v1/runs", json={"product": "balm-50", "units": 1}).status_code == 404
        assert other.post("/v1/reversals", json={"document": run["batch"]["code"], "reason": "x"}).status_code == 404
