"""Importing orders from a CSV file."""

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from service.shapes.base import Answered, Asked, Code, Name, Note

Channel = Literal["retail", "wholesale", "market"]
FieldName = Literal[
    "reference", "line", "placed_on", "due_on", "channel", "customer", "state", "product", "units", "unit_price"
]  # fmt: skip
BROKEN = re.compile(r"[\x00\ud800-\udfff]")


def _readable(text: str) -> str:
    if BROKEN.search(text):
        raise ValueError("must not contain broken characters")
    return text


FileText = Annotated[str, Field(min_length=1), AfterValidator(_readable)]


class OrderImportIn(Asked):
    """The text of a CSV file, and how to read it."""

    csv: FileText = Field(description="The file's text: a header, then a line of an order in each row.")
    mapping: dict[FieldName, Note] = Field({}, max_length=20, description="Field: header, where the header found is not right.")
    products: dict[Name, Code | None] = Field({}, max_length=5_000, description="Name in the file: product (null: skip).")
    skip_unknown: bool = False
    skip_problems: bool = False
    channel: Channel = "retail"
    state: Literal["open", "shipped", "cancelled"] = "shipped"
    date_order: Literal["dmy", "mdy", "ymd"] | None = None
    decimal: Literal[".", ","] | None = None
    dry_run: bool = False


class RowProblem(Answered):
    """A row that cannot be taken, and why."""

    row: int
    field: str
    detail: str
    given: str


class FurtherProblems(Answered):
    """Rows that cannot be taken for the same reason, beyond the thousand problems that are listed in full: `2-40, 57`."""

    field: str
    detail: str
    rows: str


class UnknownProduct(Answered):
    """A product of the file that is none of the workshop's, and in how many rows it stands."""

    product: str
    rows: int


class OrderImportOut(Answered):
    """What the file holds and what was added of it."""

    dry_run: bool
    sentence: str
    rows: int
    orders_added: int
    lines_added: int
    lines_known: int
    lines_skipped: int
    open_orders_added: int
    first_day: str | None
    last_day: str | None
    mapping: dict[str, str]
    unused_columns: list[str]
    problem_count: int
    problems: list[RowProblem]
    further_problems: list[FurtherProblems]
    unknown_products: list[UnknownProduct]
    otherwise_in_the_books: list[str]
