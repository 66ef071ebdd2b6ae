"""Batch plans: which batches to make for the open orders, and the runs planned from one."""

from service.shapes.base import Answered, Asked, Day, Warned
from service.shapes.runs import RunOut


class BatchPlanIn(Asked):
    """The open orders due until this day."""

    until: Day


class PlannedSize(Answered):
    """Units of one product filled from a batch."""

    product: str
    units: int


class PlannedShort(Answered):
    """What a batch lacks of a material."""

    material: str
    short: int | float


class PlannedBatch(Answered):
    """One run to plan (`formula` null: a set to put together); `order` when it serves one only.

    `fraction` is of the usual batch, `bulk_g` what the batches it goes `into` take; `late`: ready too late, even if made today.
    """

    formula: str | None
    version: int | None
    product: str | None
    batch_g: int | float | None
    fraction: float | None
    filled: list[PlannedSize]
    bulk_g: int | float
    left_over_g: int | float
    make_by: str
    ready_on: str
    late: bool
    orders: list[str]
    order: str | None
    into: list[str]
    short: list[PlannedShort]


class PlannedOrder(Answered):
    """An order that the plan is for: units still to be made, by product."""

    order: str
    due_on: str | None
    ship_by: str | None
    to_make: list[PlannedSize]


class PlannedFilling(Answered):
    """Units to be filled from bulk that is there or planned."""

    formula: str
    product: str
    units: int


class PlannedNeed(Answered):
    """A material over the whole plan: needed, available for it on its days, short."""

    material: str
    needed: int | float
    available: int | float
    short: int | float


class BatchPlanOut(Answered):
    """A batch plan as the books stand; `plan` is its code while they do. `proved`: no plan makes less."""

    plan: str
    until: str
    batches: list[PlannedBatch]
    orders: list[PlannedOrder]
    from_bulk: list[PlannedFilling]
    needs: list[PlannedNeed]
    left_over_g: int | float
    proved: bool
    warnings: list[Warned]
    sentence: str


class BatchRunsIn(Asked):
    """Planned runs of a batch plan."""

    dry_run: bool = False


class BatchRunsOut(Answered):
    """The runs that were planned."""

    plan: str
    runs: list[RunOut]
    warnings: list[Warned]
    sentence: str
