"""Which column of an order export holds which field: found by header, or as mapped."""

import csv
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

FIELDS = ("reference", "line", "placed_on", "due_on", "channel", "customer", "state", "product", "units", "unit_price")
NEEDED = ("placed_on", "product", "units")
NAMES: dict[str, tuple[str, ...]] = {  # headers without case, accents, spaces and signs, best first
    "reference": ("reference", "orderreference", "ordernumber", "orderno", "orderid", "order", "invoiceno", "invoicenumber",
                  "invoice", "bestellnummer", "auftragsnummer", "bestellung", "commande", "numerodecommande", "pedido"),
    "line": ("line", "lineno", "linenumber", "orderline", "position", "pos", "zeile", "ligne"),
    "placed_on": ("placedon", "orderdate", "date", "ordered", "orderedat", "createdat", "created", "invoicedate", "day",
                  "datum", "bestelldatum", "datedecommande", "fecha"),
    "due_on": ("dueon", "duedate", "due", "deliverydate", "deliverby", "shipby", "liefertermin", "lieferdatum"),
    "channel": ("channel", "saleschannel", "source", "kanal", "canal"),
    "customer": ("customer", "customername", "customerid", "client", "buyer", "company", "kunde", "kundennummer", "cliente"),
    "state": ("state", "status", "orderstatus", "fulfillment", "fulfilment", "etat", "estado"),
    "product": ("product", "productcode", "sku", "code", "article", "articlenumber", "item", "itemcode", "seriesid", "stockcode",
                "productname", "itemname", "name", "artikelnummer", "artikel", "produkt", "produit", "producto"),
    "units": ("units", "quantity", "qty", "amount", "pieces", "menge", "anzahl", "stuck", "stuckzahl", "stueck",
              "stueckzahl", "quantite", "cantidad"),
    "unit_price": ("unitprice", "price", "itemprice", "priceperunit", "einzelpreis", "preis", "prixunitaire", "prix", "precio"),
}  # fmt: skip


class Unreadable(Exception):
    """The file as a whole cannot be read as orders; `allowed` says what would be."""

    def __init__(self, said: str, column: str | None = None, allowed: str | None = None) -> None:
        super().__init__(said)
        self.column, self.allowed = column, allowed


@dataclass(frozen=True, slots=True)
class Layout:
    """Which column holds which field, and what separates them."""

    delimiter: str
    header: tuple[str, ...]
    columns: Mapping[str, int]

    @property
    def mapping(self) -> dict[str, str]:
        """Each field's header, as stated to the caller."""
        return {name: self.header[at] for name, at in self.columns.items()}

    @property
    def unused(self) -> list[str]:
        """Headers that no field takes."""
        used = set(self.columns.values())
        return [name for at, name in enumerate(self.header) if at not in used]


def layout(first: str, mapping: Mapping[str, str] | None = None) -> Layout:
    """The columns that the header line names; `mapping` (field: header) overrides what is found."""
    line = first.removeprefix("\ufeff").rstrip("\r\n")
    if not line.strip():
        raise Unreadable("the file has no header", allowed="a first line that names the columns")
    delimiter = max(",;\t", key=lambda sign: (line.count(sign), -",;\t".index(sign)))
    try:
        header = tuple(name.strip() for name in next(csv.reader([line], delimiter=delimiter)))
    except csv.Error as error:
        raise Unreadable(f"the header cannot be read: {error}") from None
    places = {_plain(name): at for at, name in reversed(list(enumerate(header)))}
    columns: dict[str, int] = {}
    for name, given in (mapping or {}).items():
        if name not in FIELDS:
            raise Unreadable(f"there is no field '{name}' to map", name, ", ".join(FIELDS))
        if given == "":
            continue  # this column is not to be used
        if _plain(given) not in places:
            raise Unreadable(f"there is no column '{given}' for {name}", name, ", ".join(header))
        columns[name] = places[_plain(given)]
    taken = set(columns.values())
    for name in FIELDS:
        for alias in NAMES[name] if name not in (mapping or {}) else ():
            if alias in places and places[alias] not in taken:
                columns[name] = places[alias]
                taken.add(columns[name])
                break
    for name in NEEDED:
        if name not in columns:
            raise Unreadable(f"no column was found for {name}: map one of the file's to it", name, ", ".join(header))
    return Layout(delimiter, header, columns)


def _plain(name: str) -> str:
    """A header without case, accents, spaces and signs."""
    return "".join(letter for letter in unicodedata.normalize("NFKD", name.casefold()) if letter.isalnum())
