"""Suppliers and what they offer, purchase orders, and the deliveries that came for them."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from service.store.tables.columns import WITHOUT_ROWID, big, day, flag, key, label, moment, of, small, text


class Supplier(SQLModel, table=True):
    """Whom the workshop buys from, and its terms; money in its own currency."""

    __tablename__ = "supplier"
    __table_args__ = (UniqueConstraint("workshop_id", "code"),)
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    name: str = text()
    currency: str = text()
    rate_nano: int | None = big(None)  # billionths of the workshop's currency for one unit of the supplier's
    delivery_micro: int = big(0)
    free_from_micro: int | None = big(None)
    smallest_micro: int = big(0)
    lead_time_days: int | None = small(None)  # as the supplier says
    review_days: int = small(7)
    notes: str | None = text(None)
    active: bool = flag(True)


class Offer(SQLModel, table=True):
    """A supplier's price for a pack of a material."""

    __tablename__ = "offer"
    __table_args__ = (
        of("supplier", "supplier_id"),
        of("item", "item_id"),
        UniqueConstraint("workshop_id", "code"),
        Index(None, "workshop_id", "item_id"),
        Index(None, "workshop_id", "supplier_id"),
        CheckConstraint("pack > 0 AND least_packs > 0", name="pack"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    supplier_id: int = big()
    item_id: int = big()
    article: str | None = text(None)  # the supplier's own code
    pack: int = big()
    price_micro: int = big()  # of a pack, in the supplier's currency
    breaks: str = text("[]")  # JSON: [packs, price_micro] from which on every pack costs that
    least_packs: int = small(1)
    life_days: int | None = small(None)  # remaining shelf life on arrival
    claims: str = text("[]")  # JSON: what its quality is said to be
    valid_from: date | None = day(None)
    valid_until: date | None = day(None)
    facts: str = text("{}")  # JSON: the pack as it was told


class PurchaseOrder(SQLModel, table=True):
    """What is asked of a supplier; what came of it is told by its standing receipts."""

    __tablename__ = "purchase_order"
    __table_args__ = (
        of("supplier", "supplier_id"),
        UniqueConstraint("workshop_id", "code"),
        Index(None, "workshop_id", "supplier_id"),
        Index(
            "ix_purchase_order_placed",
            "workshop_id",
            "id",
            sqlite_where=sql("state IN ('placed','partly_received')"),
            postgresql_where=sql("state IN ('placed','partly_received')"),
        ),
        CheckConstraint("state IN ('draft','placed','partly_received','received','cancelled')", name="state"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    supplier_id: int = big()
    state: str = text("draft")  # kept with every receipt and its reversal
    placed_on: date | None = day(None)
    expected_on: date | None = day(None)
    delivery_micro: int | None = big(None)  # as it stood when it was placed, in the supplier's currency
    recorded_at: datetime = moment()
    recorded_by: str = text()
    facts: str = text("{}")  # JSON: what was told beside the columns (note, expected_told)


class PurchaseLine(SQLModel, table=True):
    """`packs` times `pack` of a material at `price_micro` each; `n` counts from 1 within the order."""

    __tablename__ = "purchase_line"
    __table_args__ = (
        of("purchase_order", "order_id"),
        of("item", "item_id"),
        of("offer", "offer_id"),
        Index(None, "workshop_id", "item_id"),
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    order_id: int = key()
    n: int = key()
    item_id: int = big()
    offer_id: int | None = big(None)
    packs: int = big()
    pack: int = big()
    price_micro: int | None = big(None)  # of a pack, in the supplier's currency; null: not known yet
    closed: bool = flag(False)  # by a person: no more of it is awaited
    facts: str = text("{}")  # JSON: the pack as it was told, the supplier's article


class Delivery(SQLModel, table=True):
    """What came on one delivery note; its stock is told by its receipts."""

    __tablename__ = "delivery"
    __table_args__ = (
        of("supplier", "supplier_id"),
        of("purchase_order", "order_id"),
        UniqueConstraint("workshop_id", "code"),
        Index(None, "workshop_id", "supplier_id"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    supplier_id: int = big()
    order_id: int | None = big(None)
    note_number: str | None = text(None)
    recorded_at: datetime = moment()
    recorded_by: str = text()
    facts: str = text("{}")  # JSON: what was answered, as recorded


class PurchasePaper(SQLModel, table=True):
    """Which line of a purchase order, and which delivery, a receipt belongs to (its quantity stands in the lots it made)."""

    __tablename__ = "purchase_paper"
    __table_args__ = (
        of("document", "document_id"),
        of("purchase_order", "order_id"),
        of("delivery", "delivery_id"),
        Index(None, "workshop_id", "order_id"),
        Index(None, "workshop_id", "delivery_id"),
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    document_id: int = key()
    order_id: int | None = big(None)
    line: int | None = small(None)
    delivery_id: int | None = big(None)
    closes: bool = flag(False)  # no more of the line is awaited while this receipt stands


class PurchasePlan(SQLModel, table=True):
    """A purchase plan as it was answered, and the purchase orders drafted from it."""

    __tablename__ = "purchase_plan"
    __table_args__ = (UniqueConstraint("workshop_id", "code"),)
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    recorded_at: datetime = moment()
    recorded_by: str = text()
    answer: str = text()  # JSON
    orders: str = text("[]")  # JSON: codes of purchase orders
