"""Every table, as SQLModel classes used for DDL and for Core statements (no relations, no ORM loads).

Primary keys start with `workshop_id`; quantities are in the item's smallest unit (1 mg or 1 piece).
"""

from service.store.tables.access import Counter, Idempotency, Token, Workshop
from service.store.tables.alerts import Alert, AlertStep, Watch
from service.store.tables.buying import Delivery, Offer, PurchaseLine, PurchaseOrder, PurchasePaper, PurchasePlan, Supplier
from service.store.tables.catalogue import FormulaLine, FormulaVersion, Item, Product, ProductPart
from service.store.tables.columns import UtcTime
from service.store.tables.lots import Lot, Place
from service.store.tables.orders import CalendarMark, Customer, Order, OrderLine, OrderPaper
from service.store.tables.papers import Document, Line, LotEdit, Movement, NamedLot
from service.store.tables.runs import Run, RunLine
from service.store.tables.telling import Dispatch, Message, Receiver

__all__ = [
    "Alert",
    "AlertStep",
    "CalendarMark",
    "Counter",
    "Customer",
    "Delivery",
    "Dispatch",
    "Document",
    "FormulaLine",
    "FormulaVersion",
    "Idempotency",
    "Item",
    "Line",
    "Lot",
    "LotEdit",
    "Message",
    "Movement",
    "NamedLot",
    "Offer",
    "Order",
    "OrderLine",
    "OrderPaper",
    "Place",
    "Product",
    "ProductPart",
    "PurchaseLine",
    "PurchaseOrder",
    "PurchasePaper",
    "PurchasePlan",
    "Receiver",
    "Run",
    "RunLine",
    "Supplier",
    "Token",
    "UtcTime",
    "Watch",
    "Workshop",
]
