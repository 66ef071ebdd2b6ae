"""Which batches to make for the open orders: reads the books, asks the core, says it; and plans the runs of one."""

import hashlib
import re
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import claiming, plans, products, stock
from service.actions.once import dumps
from service.actions.scope import Scope
from service.core.making import batch_courses, claims
from service.core.making.batch_courses import Course, Laid
from service.core.making.batch_plan import Kettle
from service.core.making.claims import Books, Claims, Order
from service.core.said import day, listed
from service.core.units import quantity_out, said
from service.errors import NotFound
from service.shapes.batch_plans import BatchPlanIn, BatchRunsIn
from service.shapes.runs import RunIn
from service.store import formulas
from service.store import items as item_store

NAMED = 5  # materials in a sentence
CODE = re.compile(r"(\d{4}-\d{2}-\d{2})(-[0-9a-f]{12})?")


def plan(scope: Scope, body: BatchPlanIn) -> dict[str, Any]:
    """What to make for the open orders due until a day; changes nothing."""
    return _Answer(scope, body.until).said()


def create_runs(scope: Scope, code: str, _: BatchRunsIn) -> dict[str, Any]:
    """Plan the runs of a batch plan that still is what its code says (a day alone: whatever the plan until it is now)."""
    answer = _asked(scope, code)
    if wanted := answer.takes():  # held, then read again: nobody else plans for the same orders meanwhile
        item_store.lock(scope.connection, scope.workshop.id, wanted)
        answer = _asked(scope, code)
    said_so = answer.said()
    if code not in (said_so["plan"], str(answer.until)):
        raise NotFound(f"there is no batch plan '{code}' as the books stand now: ask for one again")
    made = [plans.add(scope, answer.run(batch)) for batch in said_so["batches"]]
    codes = [one["batch"]["code"] for one in made]
    sentence = f"{_counted(len(made), 'run')} planned: {', '.join(codes)}." if made else "There is nothing to plan."
    return {"plan": said_so["plan"], "runs": made, "warnings": said_so["warnings"], "sentence": sentence}


def _asked(scope: Scope, code: str) -> "_Answer":
    """The plan that a code asks for."""
    found = CODE.fullmatch(code)
    try:
        until = date.fromisoformat(found.group(1) if found else "")
    except ValueError:
        raise NotFound(f"there is no batch plan '{code}'") from None
    return _Answer(scope, until)


def _counted(number: int, what: str) -> str:
    more = f"{what[:-2]}ches" if what.endswith("ch") else f"{what}s"
    return f"{number} {what if number == 1 else more}"


class _Answer:
    """A plan as the books stand, and what its items are called."""

    def __init__(self, scope: Scope, until: date) -> None:
        self.scope, self.until = scope, until
        self.books = claiming.books(scope, materials=True)
        self.claims = claims.claimed(self.books)
        every = sorted(self.books.orders, key=lambda one: one.turn)
        self.due = [one for one in every if one.due_on is not None and one.due_on <= until]
        self.undated = [one for one in every if one.due_on is None]
        versions = formulas.versions(scope.connection, scope.workshop.id, sorted(self.books.catalogue.recipes))
        self.versions = {formula: rows[-1] for formula, rows in versions.items()}
        self.items = stock.items_of(scope, _named(self.books))
        life = {item: self.items[item].shelf_life_days for item in self.books.catalogue.products}
        kettles = {formula: _kettle(row) for formula, row in self.versions.items()}
        self.laid = batch_courses.lay(self.books, self.claims, self.due, kettles, life)

    def said(self) -> dict[str, Any]:
        """The answer."""
        laid = self.laid
        answer: dict[str, Any] = {
            "until": self.until,
            "batches": [self._batch(course) for course in laid.courses],
            "orders": self._orders(self.due, self.claims),
            "from_bulk": [
                {"formula": self._code(formula), "product": self._code(product), "units": units}
                for (formula, product), units in sorted(laid.from_bulk.items())
            ],
            "needs": self._needs(laid),
            "left_over_g": quantity_out(sum(course.left_mg for course in laid.courses), "g"),
            "proved": laid.proved,
            "warnings": self._warnings(laid),
        }
        late = [one["sentence"] for one in answer["warnings"] if one["type"] == "too-late"]
        answer["sentence"] = " ".join([self._sentence(answer["needs"]), *late])
        digest = hashlib.sha256(f"{self.scope.workshop.code} {dumps(answer)}".encode()).hexdigest()
        return {"plan": f"{self.until}-{digest[:12]}", **answer}

    def takes(self) -> list[int]:
        """The stocked items that its runs will claim."""
        return sorted({item for course in self.laid.courses for item in course.needs} - self.books.unstocked)

    def _code(self, item: int) -> str:
        return self.items[item].code

    def _references(self, course: Course) -> list[str]:
        return [one.reference for one in self.due if one.order_id in course.serves]

    def _batch(self, course: Course) -> dict[str, Any]:
        row = self.versions.get(course.item)
        usual = row.usual_batch_mg if row is not None else None
        references = self._references(course)
        return {
            "formula": None if row is None else self._code(course.item),
            "version": None if row is None else row.version,
            "product": self._code(course.item) if row is None else None,
            "batch_g": None if course.batch_mg is None else quantity_out(course.batch_mg, "g"),
            "fraction": round(course.batch_mg / usual, 4) if usual and course.batch_mg else None,
            "filled": self._sizes(course.filled),
            "bulk_g": quantity_out(course.bulk_mg, "g"),
            "left_over_g": quantity_out(course.left_mg, "g"),
            "make_by": course.by,
            "ready_on": course.ready,
            "late": course.late,
            "orders": references,
            "order": references[0] if len(references) == 1 else None,
            "into": sorted(self._code(formula) for formula in course.into),
            "short": [
                {"material": self._code(item), "short": quantity_out(some, self.items[item].unit)}
                for item, some in sorted(course.short.items(), key=lambda one: self._code(one[0]))
            ],
        }

    def _sizes(self, units: dict[int, int]) -> list[dict[str, Any]]:
        found = [{"product": self._code(item), "units": some} for item, some in units.items() if some]
        return sorted(found, key=lambda one: str(one["product"]))

    def _orders(self, due: list[Order], found: Claims) -> list[dict[str, Any]]:
        return [
            {
                "order": one.reference,
                "due_on": one.due_on,
                "ship_by": one.ship_on(date.min),
                "to_make": self._sizes(found.to_make[one.order_id]),
            }
            for one in due
        ]

    def _needs(self, laid: Laid) -> list[dict[str, Any]]:
        """Over the whole plan, each course drawn on its own day."""
        needed: dict[int, int] = {}
        short: dict[int, int] = {}
        for course in laid.courses:
            for item, quantity in course.needs.items():
                needed[item] = needed.get(item, 0) + quantity
            for item, quantity in course.short.items():
                short[item] = short.get(item, 0) + quantity
        made = self.books.catalogue.recipes.keys() | self.books.catalogue.products.keys() | self.books.unstocked
        found = []
        for item in sorted(needed.keys() - made, key=self._code):
            lacks, unit = short.get(item, 0), self.items[item].unit
            there = needed[item] - lacks + (0 if lacks else laid.left.get(item, 0))
            figures = {"needed": needed[item], "available": there, "short": lacks}
            found.append({"material": self._code(item), **{name: quantity_out(some, unit) for name, some in figures.items()}})
        return found

    def _warnings(self, laid: Laid) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        if self.undated:
            references = [one.reference for one in self.undated]
            sentence = f"{_counted(len(references), 'open order')} without a due date: not in the plan."
            found.append({"type": "orders-without-a-due-date", "sentence": sentence, "orders": references})
        late = sorted({one for course in laid.courses if course.late for one in self._references(course)})
        if late:
            sentence = f"Even if made today it would be ready too late for {', '.join(late[:5])}."
            found.append({"type": "too-late", "sentence": sentence, "orders": late})
        for item, units in sorted(laid.too_large.items()):
            name, code = self.items[item].name, self._code(item)
            sentence = f"The largest batch does not fill one {name}."
            found.append({"type": "larger-than-a-batch", "sentence": sentence, "product": code, "units": units})
        for item in sorted(laid.too_old):
            sentence = f"{self.items[item].name} would be too short-dated for an order on the day it is ready."
            found.append({"type": "too-short-dated", "sentence": sentence, "product": self._code(item)})
        if laid.from_bulk:
            sentence = "Some units are filled from bulk that is there: record those with `bulk`."
            found.append({"type": "fill-from-bulk", "sentence": sentence})
        return found + self._cases(laid)

    def _cases(self, laid: Laid) -> list[dict[str, Any]]:
        """Products of which all batches, and the bulk that is there, do not fill whole cases."""
        filled: dict[int, int] = {}
        for (_, item), units in laid.from_bulk.items():
            filled[item] = filled.get(item, 0) + units
        for course in laid.courses:
            for item, units in course.filled.items():
                filled[item] = filled.get(item, 0) + units
        return products.case_warnings(products.cases(self.scope, filled), filled)

    def _sentence(self, needs: list[dict[str, Any]]) -> str:
        courses, today = self.laid.courses, self.scope.today
        until = day(self.until, today)
        if not courses:
            return f"Nothing needs to be made for the orders due until {until}."
        made = [f"{said(one.batch_mg, 'g')} of {self.items[one.item].name}" if one.batch_mg is not None
                else f"{one.filled[one.item]} of {self.items[one.item].name}" for one in courses]  # fmt: skip
        by = ["today" if one.by <= today else f"by {day(one.by, today)}" for one in courses]
        acts = [f"{what} {when}" for what, when in zip(made[:3], by, strict=False)]
        rest = f" and {len(courses) - 3} more" if len(courses) > 3 else ""
        names = {item.code: item.name for item in self.items.values()}
        short = [names[one["material"]] for one in needs if one["short"]]
        more = [f"{len(short) - NAMED} more"] if len(short) > NAMED else []
        lacking = f"; short of {listed([*short[:NAMED], *more])}" if short else ""
        return f"For the orders due until {until} make {', '.join(acts)}{rest}{lacking}."

    def run(self, batch: dict[str, Any]) -> RunIn:
        """The planned run of a batch: of a product where it fills all of it, so that "24 made" finds it."""
        asked: dict[str, Any] = {"status": "planned", "planned_on": str(batch["make_by"]), "order": batch["order"]}
        filled = batch["filled"]
        kept = Decimal(str(batch["left_over_g"])) + Decimal(str(batch["bulk_g"]))
        if batch["formula"] is None or (len(filled) == 1 and not kept):
            asked |= filled[0]
        else:
            asked |= {"formula": batch["formula"], "filled": filled, "batch_g": Decimal(str(batch["batch_g"]))}
            if filled and kept:
                asked["left_over_g"] = kept
        return RunIn.model_validate(asked)


def _named(books: Books) -> set[int]:
    named = set(books.catalogue.products) | set(books.catalogue.recipes)
    named |= {item for made in books.catalogue.products.values() for item, _ in made.packaging}
    return named | {item for recipe in books.catalogue.recipes.values() for item, _ in recipe.lines}


def _kettle(row: Row[Any]) -> Kettle:
    return Kettle(row.usual_batch_mg, row.smallest_batch_mg, row.largest_batch_mg, row.loss_ppm, row.loss_mg)
