"""What a supplier offers and what an order of it costs: packs, price breaks, smallest orders, delivery.

Quantities in the smallest units (mg or pieces), money in millionths of the workshop's currency, both whole.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.core.units import half_even, largest_remainder

PER = {"g": 1_000_000, "piece": 1}  # smallest units in what a price is said for: a kilogram, a piece


@dataclass(frozen=True, slots=True)
class Break:
    """From this many packs on, every pack of the line costs `price`."""

    packs: int
    price: int


@dataclass(frozen=True, slots=True)
class Offer:
    """A supplier's price for a pack of a material; `life_days` is the remaining shelf life on arrival (None: keeps)."""

    code: str
    supplier: str
    material: str
    pack: int
    price: int
    breaks: tuple[Break, ...] = ()
    least_packs: int = 1
    life_days: int | None = None
    claims: frozenset[str] = frozenset()
    valid_from: date | None = None
    valid_until: date | None = None

    def tiers(self) -> list[tuple[int, int | None, int]]:
        """From and to how many packs (None: no end) which price of a pack holds, from the smallest number of packs on."""
        steps = {1: self.price} | {step.packs: step.price for step in sorted(self.breaks, key=lambda step: step.packs)}
        begins = sorted(steps)
        found = []
        for at, begin in enumerate(begins):
            end = begins[at + 1] - 1 if at + 1 < len(begins) else None
            if end is None or end >= self.least_packs:
                found.append((max(begin, self.least_packs), end, steps[begin]))
        return found

    def pack_price(self, packs: int) -> int:
        """The price of one pack when so many are ordered."""
        price = self.price
        for step in sorted(self.breaks, key=lambda step: step.packs):
            price = step.price if packs >= step.packs else price
        return price

    def cost(self, packs: int) -> int:
        """The price of so many packs."""
        return packs * self.pack_price(packs)

    def stands(self, day: date) -> bool:
        """Whether it can be ordered on that day."""
        return (self.valid_from is None or day >= self.valid_from) and (self.valid_until is None or day <= self.valid_until)


@dataclass(frozen=True, slots=True)
class Terms:
    """A supplier's conditions for one order: delivery charge, the value from which it is free, the smallest value."""

    supplier: str
    delivery: int = 0
    free_from: int | None = None
    smallest: int = 0

    def charge(self, goods: int) -> int:
        """What delivery costs for goods of this value."""
        return 0 if not goods or (self.free_from is not None and goods >= self.free_from) else self.delivery

    def takes(self, goods: int) -> bool:
        """Whether the order is large enough."""
        return goods == 0 or goods >= self.smallest


@dataclass(frozen=True, slots=True)
class Price:
    """Per kilogram (or piece): of the goods alone, and with the line's share of delivery."""

    goods: int
    landed: int


def packs_for(offer: Offer, quantity: int) -> int:
    """The fewest packs that hold at least this quantity, not below the smallest number."""
    return max(-(-quantity // offer.pack), offer.least_packs)


def cheapest_packs(offer: Offer, quantity: int) -> int:
    """The cheapest number of packs that holds at least this quantity: more, where a price break makes more cost less."""
    needed = packs_for(offer, quantity)
    larger = (step.packs for step in offer.breaks if step.packs > needed)
    return min((needed, *larger), key=lambda packs: (offer.cost(packs), packs))


def order_costs(terms: Terms, lines: Sequence[tuple[Offer, int]]) -> tuple[int, int, list[int]]:
    """Goods, delivery, and each line's share of the delivery by value, of an order of (offer, packs)."""
    costs = [offer.cost(packs) for offer, packs in lines]
    goods = sum(costs)
    delivery = terms.charge(goods)
    return goods, delivery, largest_remainder(delivery, costs) if goods else [0] * len(costs)


def price_of(offer: Offer, terms: Terms, unit: str, packs: int | None = None, order: int | None = None) -> Price:
    """The price of a kilogram (a piece) when `packs` are ordered in an order of this value (its own value by default)."""
    count = max(packs or 0, offer.least_packs)
    cost, held = offer.cost(count), count * offer.pack
    whole = max(order or 0, cost, terms.smallest)
    landed = half_even(cost * (whole + terms.charge(whole)) * PER[unit], whole * held) if whole else 0
    return Price(half_even(cost * PER[unit], held), landed)


def allowed(
    offers: Iterable[Offer], day: date, suppliers: Iterable[str] | None = None, prefer: Iterable[str] = ()
) -> tuple[list[Offer], dict[str, list[Offer]]]:
    """Offers to choose from, and those set aside by material because another carries every claim preferred.

    A preference never leaves a material without an offer: where none carries the claims, all stay.
    """
    named, wanted = (None if suppliers is None else frozenset(suppliers)), folded(prefer)
    open_now = [one for one in offers if one.stands(day) and (named is None or one.supplier in named)]
    carried = {one.material for one in open_now if wanted <= folded(one.claims)}
    kept = [one for one in open_now if one.material not in carried or wanted <= folded(one.claims)]
    aside: dict[str, list[Offer]] = {}
    for one in open_now:
        if one.material in carried and not wanted <= folded(one.claims):
            aside.setdefault(one.material, []).append(one)
    return kept, aside


def folded(claims: Iterable[str]) -> frozenset[str]:
    """Claims as they are compared: `Organic` is `organic`."""
    return frozenset(claim.casefold() for claim in claims)


def next_best(
    offer: Offer, packs: int, others: Iterable[Offer], terms: Mapping[str, Terms], ordered: Mapping[str, int]
) -> tuple[Offer, int, int] | None:
    """Where the same quantity would come cheapest instead: offer, packs, and goods with what delivery costs more.

    `ordered` is the value of goods that the plan takes from each supplier; None where nobody else offers it.
    """
    found = []
    for other in others:
        if other.material != offer.material or other.code == offer.code:
            continue
        count = cheapest_packs(other, packs * offer.pack)
        before, its = ordered.get(other.supplier, 0), terms[other.supplier]
        before -= offer.cost(packs) if other.supplier == offer.supplier else 0
        more = max(its.charge(max(before + other.cost(count), its.smallest)) - its.charge(before), 0)
        found.append((other, count, other.cost(count) + more))
    return min(found, key=lambda one: (one[2], one[0].code), default=None)
