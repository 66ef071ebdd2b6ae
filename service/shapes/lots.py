"""Edits and splits of lots, and places."""

from service.shapes.base import Amount, Answered, Asked, Day, DayOrTime, ExpiryDay, Label, Note, Warned
from service.shapes.materials import LotOut
from service.shapes.papers import Linked, Moved, Status


class LotPatch(Asked):
    """What may change of a lot; each change is kept as a document."""

    status: Status | None = None
    status_reason: Note | None = None
    expires_on: ExpiryDay | None = None
    retest_on: Day | None = None
    opened_on: Day | None = None
    place: Label | None = None
    certificate: Label | None = None
    effective_on: DayOrTime | None = None
    note: Note | None = None
    dry_run: bool = False


class LotEdited(LotOut):
    """A lot as it is now, and what its edit moved."""

    moved: list[Moved]
    warnings: list[Warned]
    sentence: str


class SplitIn(Asked):
    """Part of a lot that becomes a lot of its own."""

    quantity: Amount
    place: Label | None = None
    split_on: DayOrTime | None = None
    opened_on: Day | None = None
    note: Note | None = None
    dry_run: bool = False


class SplitOut(Linked):
    """A split: the new lot and the one it came from."""

    split: str
    lot: str
    parent: str
    item: str
    quantity: int | float
    place: str | None
    split_on: str
    opened_on: str | None
    note: str | None
    recorded_at: str
    recorded_by: str
    reversed: bool
    warnings: list[Warned]
    moved: list[Moved]
    sentence: str


class PlacePatch(Asked):
    """What may be said of a place."""

    production: bool | None = None


class HeldOut(Answered):
    """How much of an item lies somewhere."""

    item: str
    quantity: int | float


class PlaceOut(Answered):
    """A place: whether production draws from it, and what lies there."""

    place: str
    production: bool
    on_hand: list[HeldOut]
