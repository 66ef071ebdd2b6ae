"""Items, formulas and their versions, products."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import SQLModel

from service.store.tables.columns import WITHOUT_ROWID, big, day, flag, key, label, moment, of, small, text


class Item(SQLModel, table=True):
    """Anything stocked: ingredient, packaging, bulk or product; one namespace of codes."""

    __tablename__ = "item"
    __table_args__ = (
        UniqueConstraint("workshop_id", "code"),
        CheckConstraint("kind IN ('ingredient','packaging','bulk','product')", name="kind"),
        CheckConstraint("unit IN ('g','piece')", name="unit"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    name: str = text()
    kind: str = text()
    unit: str = text()
    stocked: bool = flag(True)
    active: bool = flag(True)
    shelf_life_days: int | None = small(None)
    opened_life_days: int | None = small(None)
    facts: str = text("{}")  # JSON: inci, function, contains_water, density_g_per_ml, notes
    papers: int = big(0)  # order of recording: raised under the item's lock
    latest: int = big(0)  # core/stock/happening's rank of the latest paper: says whether the next one is in order
    before: int = big(0)  # `latest` as the last paper found it
    counted_on: date | None = day(None)  # day of the last count
    unbooked_since: date | None = day(None)  # first day of a draw that waited for a lot, if only for a paper known by then
    redrawn: bool = flag(True)  # false: of older books, to be drawn again once


class FormulaVersion(SQLModel, table=True):
    """One version of a formula; the formula itself is the bulk item of the same code."""

    __tablename__ = "formula_version"
    __table_args__ = (of("item", "formula_id"), UniqueConstraint("workshop_id", "formula_id", "version"))
    workshop_id: int = key()
    id: int = key()
    formula_id: int = big()
    version: int = small()
    usual_batch_mg: int | None = big(None)
    loss_ppm: int = big(0)
    loss_mg: int = big(0)
    rest_days: int = small(0)
    bulk_shelf_life_days: int | None = small(None)
    preservation_note: str | None = text(None)
    made_on: date = day()
    created_at: datetime = moment()
    smallest_batch_mg: int | None = big(None)
    largest_batch_mg: int | None = big(None)


class FormulaLine(SQLModel, table=True):
    """A share of a material in a version; all shares sum to 1,000,000 ppm."""

    __tablename__ = "formula_line"
    __table_args__ = (of("formula_version", "version_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    version_id: int = key()
    n: int = key()
    item_id: int = big()
    share_ppm: int = big()
    rest: bool = flag(False)
    phase: str | None = text(None)


class Product(SQLModel, table=True):
    """What is sold; `id` is the item's. A set has no formula."""

    __tablename__ = "product"
    __table_args__ = (of("item", "id"), of("item", "formula_id", name="fk_product_formula"))
    workshop_id: int = key()
    id: int = key()
    formula_id: int | None = big(None)
    fill_mg: int | None = big(None)
    net_mg: int | None = big(None)
    case_units: int | None = small(None)  # units of a whole case


class ProductPart(SQLModel, table=True):
    """Packaging of one unit, or a product inside a set (`quantity` pieces, or mg of a weighed one)."""

    __tablename__ = "product_part"
    __table_args__ = (of("product", "product_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    product_id: int = key()
    n: int = key()
    item_id: int = big()
    quantity: int = big()
    inside: bool = flag(False)  # a product inside the set, not packaging
