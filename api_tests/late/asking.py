"""What the desk asks of the service for each paper."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from late.papers import Correction, Count, Disposal, Edit, Life, Paper, Receipt, Restated, Reversal, Run, Split


@dataclass(frozen=True)
class Requests:
    """A paper as method, path and body; the service's codes of what we call lots and papers."""

    codes: dict[str, str]
    documents: dict[str, str]

    def of(self, paper: Paper) -> tuple[str, str, dict[str, Any]]:
        when = told(paper)
        if isinstance(paper, Life):
            return "PATCH", f"materials/{paper.item}", {"opened_life_days": paper.days}
        if isinstance(paper, Receipt):
            return "POST", "receipts", receipt_body(paper)
        if isinstance(paper, Run):
            named = [{"material": material, "lot": self.codes[lot], "quantity": grams} for material, lot, grams in paper.named]
            return "POST", "runs", {"formula": paper.formula, "batch_g": paper.grams, "made_on": when, "lots": named}
        if isinstance(paper, Disposal):
            body = {"lot": self.codes[paper.lot], "quantity": paper.grams, "reason": "spoiled", "disposed_on": when}
            return "POST", "disposals", body
        if isinstance(paper, Split):
            opened = None if paper.opened is None else str(paper.opened)
            body = {"quantity": paper.grams, "place": paper.place, "split_on": when, "opened_on": opened}
            return "POST", f"lots/{self.codes[paper.lot]}/splits", body
        if isinstance(paper, Count):
            what = {"material": paper.item} if paper.lot is None else {"lot": self.codes[paper.lot]}
            return "POST", "counts", {**what, "counted": paper.counted, "counted_at": when, "place": paper.place}
        if isinstance(paper, Edit):
            opened = None if paper.opened is None else str(paper.opened)
            change = {"status": paper.status, "place": paper.place, "opened_on": opened}
            body = {name: value for name, value in change.items() if value is not None}
            return "PATCH", f"lots/{self.codes[paper.lot]}", {**body, "effective_on": when}
        return self._about_another(paper)

    def _about_another(self, paper: Paper) -> tuple[str, str, dict[str, Any]]:
        assert isinstance(paper, Correction | Restated | Reversal)
        code = self.documents[paper.target]
        if isinstance(paper, Reversal):
            body: dict[str, Any] = {"document": code, "reason": "a mistake"}
            return "POST", "reversals", body | ({"settle": True} if paper.settle else {})
        if isinstance(paper, Restated):
            return "POST", f"runs/{code}/correction", {"batch_g": paper.grams}
        names = {"grams": "quantity", "expires": "expires_on", "day": "received_on", "cost": "cost"}
        fields = {
            names[name]: str(value) if isinstance(value, date) else value for name, value in paper.fields.items() if name in names
        }
        return "POST", f"receipts/{code}/correction", fields


def told(paper: Paper) -> str:
    """The day, or the time of the day."""
    return str(paper.day) if paper.at is None else f"{paper.day}T{paper.at // 60:02}:{paper.at % 60:02}:00Z"


def receipt_body(paper: Receipt) -> dict[str, Any]:
    body = {
        "material": paper.item, "quantity": paper.grams, "received_on": told(paper), "supplier_lot": paper.name,
        "expires_on": None if paper.expires is None else str(paper.expires), "cost": paper.cost,
        "status": paper.status, "place": paper.place, "containers": paper.containers,
    }  # fmt: skip
    return {name: value for name, value in body.items() if value is not None}
