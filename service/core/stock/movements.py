"""What a paper does to lots, collected before it is posted."""

from dataclasses import dataclass, field
from datetime import date

from service.core.stock import costs
from service.core.stock.draw import FOREVER


@dataclass(slots=True)
class Balance:
    """A lot's figures while a paper is being worked out."""

    lot_id: int
    on_hand: int
    received: int
    cost: int | None
    worth: int | None
    unbooked: bool = False
    opened_on: date | None = None
    use_by: date = FOREVER
    before: int = 0
    touched: bool = False

    def __post_init__(self) -> None:
        self.before = self.on_hand


@dataclass(frozen=True, slots=True)
class Movement:
    """One signed change of one lot: smallest units, and millionths (None: unknown)."""

    line: int
    lot_id: int
    quantity: int
    cost: int | None


@dataclass(slots=True)
class Entries:
    """The movements of one paper, and the balances they leave."""

    movements: list[Movement] = field(default_factory=list)
    balances: dict[int, Balance] = field(default_factory=dict)

    def change(self, line: int, lot: Balance, quantity: int) -> int | None:
        """Move `quantity` (signed) of a lot; answers its cost (signed): the change of what is left's worth."""
        after = lot.on_hand + quantity
        worth = costs.worth(lot.cost, after, lot.received)
        cost = None if worth is None else worth - (lot.worth or 0)
        return self._enter(line, lot, quantity, cost)

    def change_unbooked(self, line: int, lot: Balance, quantity: int, cost: int | None) -> None:
        """Move `quantity` of the unbooked lot at a cost worked out elsewhere."""
        self._enter(line, lot, quantity, cost)

    def _enter(self, line: int, lot: Balance, quantity: int, cost: int | None) -> int | None:
        lot.on_hand += quantity
        if cost is not None:
            lot.worth = (lot.worth or 0) + cost
        lot.touched = True
        self.balances[lot.lot_id] = lot
        self.movements.append(Movement(line, lot.lot_id, quantity, cost))
        return cost
