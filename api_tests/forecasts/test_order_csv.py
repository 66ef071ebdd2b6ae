"""Exports of shops, read: columns by their headers, days and numbers that can mean one thing only, every problem with its row."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from service.core.importing import order_csv, order_values
from service.core.importing.order_csv import Defaults, Layout, OrderRow, Survey, Unreadable
from service.core.importing.order_values import Marks, Wrong

TODAY = date(2026, 11, 25)


def read(text: str, mapping: dict[str, str] | None = None, **more: object) -> tuple[list[OrderRow], Survey, Layout]:
    lines = text.splitlines(keepends=True)
    rules = Defaults(today=TODAY, **more)  # type: ignore[arg-type]
    found = order_csv.layout(lines[0], mapping)
    seen = order_csv.survey(lines, found, rules, lines)
    return list(order_csv.rows(lines, found, seen, rules)), seen, found


def test_a_plain_export() -> None:
    rows, seen, found = read("Order ID,Order date,SKU,Qty,Price\nA1,2026-11-03,balm,2,12.50\nA1,2026-11-03,bar,1,\n")
    assert rows == [
        OrderRow("A1", None, date(2026, 11, 3), None, "retail", None, "shipped", "balm", 2, 12_500_000),
        OrderRow("A1", None, date(2026, 11, 3), None, "retail", None, "shipped", "bar", 1, None),
    ]
    assert (seen.rows, seen.problem_count, seen.products) == (2, 0, {"balm": 1, "bar": 1})
    assert found.mapping == {"reference": "Order ID", "placed_on": "Order date", "product": "SKU", "units": "Qty",
                             "unit_price": "Price"}  # fmt: skip


def test_a_german_export_with_a_mark_semicolons_and_commas() -> None:
    text = '\ufeffBestellnummer;Datum;Artikel;Menge;Einzelpreis;Bemerkung\nB-7;31.03.2026;"Balsam; 50 g";1.200;4,05 €;eilig\n'
    rows, _, found = read(text)
    assert rows == [OrderRow("B-7", None, date(2026, 3, 31), None, "retail", None, "shipped", "Balsam; 50 g", 1200, 4_050_000)]
    assert found.delimiter == ";"
    assert found.unused == ["Bemerkung"]


def test_a_mapping_overrides_what_was_found() -> None:
    text = "date,product,amount,pieces\n2026-01-02,balm,19.90,3\n"
    assert read(text)[1].problem_count == 1  # an amount of money is no number of units
    rows, _, found = read(text, {"units": "Pieces", "unit_price": "amount"})
    assert (rows[0].units, rows[0].price, found.mapping["units"]) == (3, 19_900_000, "pieces")
    with pytest.raises(Unreadable, match="no column 'Stk'"):
        read(text, {"units": "Stk"})
    with pytest.raises(Unreadable, match="no column was found for units"):
        read("date,product\n")


def test_days_and_months_are_told_apart_by_the_whole_file() -> None:
    def days(*texts: str, **more: object) -> tuple[list[date], int]:
        rows, seen, _ = read("date,product,units\n" + "".join(f"{text},balm,1\n" for text in texts), **more)
        return [row.placed_on for row in rows], seen.problem_count

    assert days("3/4/2026", "25/12/2025") == ([date(2026, 4, 3), date(2025, 12, 25)], 0)
    assert days("3/4/2026", "12/25/2025") == ([date(2026, 3, 4), date(2025, 12, 25)], 0)
    assert days("3/4/2026", "5/6/2026") == ([], 2)
    assert days("3/4/2026", "5/6/2026", date_order="mdy") == ([date(2026, 3, 4), date(2026, 5, 6)], 0)
    assert days("25/12/2025", "12/25/2025", "3/4/2026") == ([date(2025, 12, 25), date(2025, 12, 25)], 1)  # it contradicts itself
    assert days("4/4/2026") == ([date(2026, 4, 4)], 0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-31", date(2026, 3, 31)),
        ("2026-03-31T09:15:00", date(2026, 3, 31)),
        ("2026-03-31 09:15", date(2026, 3, 31)),
        ("2026/3/31", date(2026, 3, 31)),
        ("20260331", date(2026, 3, 31)),
        ("31.3.2026", date(2026, 3, 31)),
        ("4.3.26", date(2026, 3, 4)),
        ("31 Mar 2026", date(2026, 3, 31)),
        ("March 31, 2026", date(2026, 3, 31)),
        ("31-Mar-2026", date(2026, 3, 31)),
        ("2026-03-31T23:30:00Z", date(2026, 4, 1)),  # in the workshop's zone
        ("2026-03-31T23:30:00-05:00", date(2026, 4, 1)),
    ],
)
def test_common_forms_of_a_day(text: str, expected: date) -> None:
    assert order_values.day(text, None, ZoneInfo("Europe/Paris")) == expected


NO_DAYS = ["", "31.2.2026", "2026-13-01", "yesterday", "44562", "1/2/3", "31 Foo 2026", "1066-10-14", "3/4/2026"]


@pytest.mark.parametrize("text", NO_DAYS)
def test_what_is_no_day_or_could_be_two(text: str) -> None:
    with pytest.raises(Wrong):
        order_values.day(text, None)


@pytest.mark.parametrize(
    ("text", "decimal", "expected"),
    [
        ("12.5", None, "12.5"), ("12,50", None, "12.50"), ("1.234,56", None, "1234.56"), ("1,234.56", None, "1234.56"),
        ("1.234.567", None, "1234567"), ("€ 4,05", None, "4.05"), ("1'000", None, "1000"), ("1,500", ".", "1500"),
        ("1,500", ",", "1.500"), ("0.125", ".", "0.125"), ("-3", None, "-3"),
    ],
)  # fmt: skip
def test_numbers(text: str, decimal: str | None, expected: str) -> None:
    assert str(order_values.number(text, decimal)) == expected


def test_a_number_that_could_be_two_is_none() -> None:
    for text in ("1,500", "1.500", "", "abc", "1,5x", "--1"):
        with pytest.raises(Wrong):
            order_values.number(text, None)
    assert Marks.of({"unit_price": ["4,05"], "units": ["1.500"]}, None, None, ",").decimal == ","
    assert Marks.of({"unit_price": ["4,05", "4.05"]}, None, None, ",").decimal is None
    for text, said in (("1.5", "whole"), ("0", "returns"), ("-2", "returns"), ("2000000", "at most")):
        with pytest.raises(Wrong, match=said):
            order_values.units(text, Marks())


def test_all_problems_come_with_their_rows() -> None:
    text = (
        "order,date,sku,qty,channel,status\n"
        "A,2026-11-01,balm,2,online,paid\n"
        "B,2027-01-01,balm,x,market,paid\n"
        "\n"
        ",2026-11-01,,2,stockist,open\n"
        "D,2026-11-01\n"
        "E,2026-11-01,balm,2,carrier pigeon,partially fulfilled\n"
        "F,2026-11-02,balm,2,trade,Unfulfilled\n"
    )
    rows, seen, _ = read(text)
    assert [(one.row, one.field) for one in seen.problems] == [
        (3, "placed_on"), (3, "units"), (5, "reference"), (5, "product"), (6, ""), (7, "channel"), (7, "state"),
    ]  # fmt: skip
    assert seen.problems[0].detail == "must not be in the future"
    assert [(row.reference, row.channel, row.state) for row in rows] == [("A", "retail", "shipped"), ("F", "wholesale", "open")]


def test_of_very_many_problems_each_row_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond those that are listed in full the rows of each kind, in stretches."""
    monkeypatch.setattr(order_csv, "MOST_LISTED", 1)
    bad = {2: "soon,balm,1", 3: "soon,balm,1", 4: "soon,balm,0", 5: "2026-01-01,balm,0", 7: "soon,balm,1"}
    lines = [bad.get(row, "2026-01-01,balm,1") for row in range(2, 8)]
    _, seen, _ = read("date,product,units\n" + "\n".join(lines) + "\n")
    assert [(one.row, one.field) for one in seen.problems] == [(2, "placed_on")]
    assert {name: rows for (name, _), rows in seen.further.items()} == {"placed_on": [(3, 4), (7, 7)], "units": [(4, 5)]}
    assert seen.problem_count == 6
    assert seen.wrong_rows == bad.keys()


@pytest.mark.parametrize(
    "header",
    [
        "Numéro de commande;Date de commande;Produit;Quantité;Prix",
        "Bestellnummer;Bestelldatum;Produkt;Stückzahl;Preis",
        "PEDIDO;Fecha;Artikel;Stück;Precio",
    ],
)
def test_headers_are_found_with_their_accents(header: str) -> None:
    [row], _, found = read(f"{header}\nF-1;2026-01-02;balm;3;4,50\n")
    assert (row.reference, row.product, row.units, row.price) == ("F-1", "balm", 3, 4_500_000)
    assert list(found.mapping.values()) == [header.split(";")[at] for at in (0, 1, 2, 3, 4)]


def test_without_a_reference_a_day_of_a_channel_is_one_order() -> None:
    rows, _, _ = read("day,product,units\n2026-05-01,balm,7\n2026-05-01,bar,3\n2026-05-02,balm,1\n", channel="market")
    assert [row.reference for row in rows] == ["market 2026-05-01", "market 2026-05-01", "market 2026-05-02"]


def test_references_that_do_not_stand_together_are_noticed() -> None:
    _, seen, _ = read("order,date,sku,qty\nA,2026-05-01,a,1\nB,2026-05-01,a,1\nA ,2026-05-01,b,1\nC,2026-05-01,a,1\n")
    assert seen.scattered == {"A"}


def test_what_cannot_be_read_at_all() -> None:
    for text, said in (("", "no header"), ("a,b\n", "no column was found"), ("a\rb,c\n", "header cannot be read")):
        with pytest.raises(Unreadable, match=said):
            order_csv.layout(text)
