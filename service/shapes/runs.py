"""Production runs: what a bench says, and what the books answer."""

from typing import Literal, Self

from pydantic import Field, model_validator

from service.shapes.base import (
    Amount,
    Answered,
    Asked,
    Code,
    Count,
    Day,
    DayOrTime,
    Key,
    Label,
    Note,
    Warned,
)
from service.shapes.papers import Linked, Moved

Outcome = Literal["made", "scrapped"]
RunState = Literal["planned", "completed", "cancelled", "reversed"]


class Filled(Asked):
    """One size filled from the batch."""

    product: Code
    units: Count


class NamedLot(Asked):
    """A lot taken on the bench; without `quantity` as much of it as is needed."""

    material: Code
    lot: Key
    quantity: Amount | None = None


class Used(Asked):
    """The whole quantity really used of a material; `instead_of` names the line it stood in for."""

    material: Code
    quantity: Amount
    instead_of: Code | None = None


class Performed(Asked):
    """What can be told of a run when it is done."""

    made_on: DayOrTime | None = None
    made_by: Label | None = None
    lots: list[NamedLot] = []
    used: list[Used] = []
    units_made: Count | None = None
    filled: list[Filled] = []
    left_over_g: Amount | None = None
    made_g: Amount | None = None
    outcome: Outcome = "made"
    reason: Note | None = None
    note: Note | None = None
    strict: bool = False
    dry_run: bool = False

    @model_validator(mode="after")
    def _bounded(self) -> Self:
        for name in ("lots", "used", "filled"):
            if len(getattr(self, name)) > 200:
                raise ValueError(f"{name} may hold at most 200 entries")
        if self.outcome == "scrapped" and not self.reason:
            raise ValueError("a scrapped run needs a `reason`")
        return self


class RunIn(Performed):
    """A run: a product and units, or a formula and how much of it."""

    product: Code | None = None
    units: Count | None = None
    formula: Code | None = None
    version: Count | None = None
    batch_g: Amount | None = None
    fraction: Amount | None = None
    bulk: Key | None = None
    status: Literal["planned", "completed"] = "completed"
    planned_on: Day | None = None
    fix_lots: bool = False
    plan: Key | None = None
    order: Key | None = None

    @model_validator(mode="after")
    def _one_way_to_ask(self) -> Self:
        if (self.product is None) == (self.formula is None):
            raise ValueError("name either a `product` (with `units`) or a `formula`")
        if self.product is not None:
            self._product_only()
        elif self.units is not None or self.units_made is not None:
            raise ValueError("`units` belong to a `product`; a formula takes `batch_g`, `fraction` or `filled`")
        elif self.batch_g is not None and self.fraction is not None:
            raise ValueError("say `batch_g` or `fraction`, not both")
        elif self.batch_g is None and self.fraction is None and not self.filled:
            raise ValueError("say how much: `batch_g`, `fraction` or `filled`")
        if self.status == "planned" and (self.plan is not None or self.outcome == "scrapped"):
            raise ValueError("a plan names no plan and has no outcome yet")
        if self.fix_lots and self.status != "planned":
            raise ValueError("`fix_lots` is for a plan; a run that is made names its `lots`")
        self._of_its_day()
        self._one_yield()
        return self

    def _of_its_day(self) -> None:
        if self.status == "planned" and self.made_on is not None:
            raise ValueError("a plan has no `made_on` yet: say `planned_on`")
        if self.status == "completed" and self.planned_on is not None:
            raise ValueError("`planned_on` is for a plan: say `status` `planned`, or leave it out")

    def _one_yield(self) -> None:
        """What a batch became is told once."""
        sizes = [one.product for one in self.filled]
        if len(set(sizes)) < len(sizes):
            raise ValueError("`filled` names a product twice: give its units together")
        if self.made_g is not None and (self.filled or self.left_over_g is not None):
            raise ValueError("`made_g` is all that a batch gave that fills nothing: beside `filled` say `left_over_g`")
        if self.outcome == "made" and not self.filled and 0 in (self.made_g, self.left_over_g):
            raise ValueError("a batch that gave nothing is `scrapped`: say `outcome` and `reason`")

    def _product_only(self) -> None:
        if self.units is None:
            raise ValueError("`units` is needed with `product`")
        for name in ("batch_g", "fraction", "made_g", "left_over_g"):
            if getattr(self, name) is not None:
                raise ValueError(f"`{name}` belongs to a `formula`, not to a `product`")
        if self.filled:
            raise ValueError("`filled` belongs to a `formula`, not to a `product`")


class CompletionIn(Performed):
    """What a planned run became."""


class RunCorrectionIn(Asked):
    """What a run should have said; only what is sent changes."""

    units: Count | None = None
    units_made: Count | None = None
    batch_g: Amount | None = None
    filled: list[Filled] = Field([], max_length=200)
    left_over_g: Amount | None = None
    made_g: Amount | None = None
    lots: list[NamedLot] = Field([], max_length=200)
    used: list[Used] = Field([], max_length=200)
    made_by: Label | None = None
    note: Note | None = None
    dry_run: bool = False

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.model_fields_set - {"note", "dry_run"}:
            raise ValueError("say what was different")
        return self


class CancellationIn(Asked):
    """Why a planned run is not made."""

    reason: Note | None = None


class BatchLot(Answered):
    """One lot of the batch."""

    lot: str
    item: str
    quantity: int | float
    cost: int | float | None
    unit_cost: int | float | None


class Batch(Answered):
    """What the run made."""

    code: str
    units: int | None
    status: str | None
    best_before: str | None
    ready_on: str | None
    lots: list[BatchLot]


class UsedOut(Answered):
    """What was taken from one lot (`lot` null: beyond the books, or not stocked)."""

    material: str
    lot: str | None
    quantity: int | float
    cost: int | float | None
    chosen: Literal["named", "assumed", "unbooked"]
    instead_of: str | None


class Unusable(Answered):
    """Stock that lies there and was not drawn, and why."""

    lot: str
    quantity: int | float
    why: str


class Shortage(Answered):
    """What the books lacked."""

    material: str
    needed: int | float
    taken: int | float
    short: int | float
    unusable: list[Unusable]


class FixedLot(Answered):
    """A lot that a plan fixed: what its sheet shows is what its completion takes."""

    material: str
    lot: str
    quantity: int | float


class RunOut(Linked):
    """A run as recorded; used, shortages, costs and concerns as known now."""

    batch: Batch
    state: RunState
    outcome: Outcome
    formula: str | None
    version: int | None
    product: str | None
    batch_g: int | float | None
    planned_on: str | None
    fixed_lots: list[FixedLot]
    made_on: str | None
    made_by: str | None
    used: list[UsedOut]
    shortages: list[Shortage]
    warnings: list[Warned]
    concerns: list[Warned]
    first_used: list[UsedOut] | None
    changed_by: list[str]
    moved: list[Moved]
    yield_percent: int | float | None
    cost: int | float | None
    unit_cost: int | float | None
    estimated: bool
    plan: str | None
    order: str | None
    note: str | None
    reason: str | None
    recorded_at: str
    recorded_by: str
    sentence: str


class RunCorrectionOut(Linked):
    """A correction of a run, what the batch holds now, and what else moved."""

    correction: str
    batch: Batch
    batch_g: int | float | None
    used: list[UsedOut]
    shortages: list[Shortage]
    yield_percent: int | float | None
    cost: int | float | None
    unit_cost: int | float | None
    note: str | None
    recorded_at: str
    recorded_by: str
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str
