"""Answers as plain pages to print: every value escaped, nothing loaded from anywhere."""

from collections.abc import Sequence
from html import escape
from typing import Any

from service.actions.buying.purchase_lines import pack_said

PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title}</title>
<style>body{{font:16px/1.45 Georgia,serif;max-width:48em;margin:2em auto;padding:0 1em;color:#243}}
table{{border-collapse:collapse;width:100%;margin:1.5em 0}}
th,td{{text-align:left;padding:.35em .6em .35em 0;border-bottom:1px solid #cbd5cb;vertical-align:top}}
.n{{text-align:right;white-space:nowrap}}tfoot td{{border:0}}dl{{display:grid;grid-template-columns:max-content 1fr;gap:.2em 1em}}
dd{{margin:0}}@media print{{body{{margin:0;color:#000}}tr{{break-inside:avoid}}}}</style></head><body>
{body}
</body></html>
"""


def purchase_order(order: dict[str, Any]) -> str:
    """A purchase order as it goes to the supplier, headed as the message is: what is asked for, at which price."""
    facts = [("To", order["supplier_name"]), ("State", order["state"].replace("_", " ")), ("Placed on", order["placed_on"]),
             ("Expected on", order["expected_on"]), ("Note", order["note"])]  # fmt: skip
    rows = [
        (line["line"], line["name"], line["article"], line["packs"], pack_said(line["pack"]),
         _money(line["price"]), _money(line["cost"]))
        for line in order["lines"]
    ]  # fmt: skip
    currency = order["currency"]
    sums = [("Goods", order["goods"]), ("Delivery", order["delivery"]), ("Total", order["total"])]
    heads = ("", "Material", "Article", "Packs", "Pack", f"Price ({currency})", f"Amount ({currency})")
    title = order["message"].partition("\n")[0]
    told = "".join(f"<dt>{escape(name)}</dt><dd>{_text(value)}</dd>" for name, value in facts if value is not None)
    body = f"<h1>{escape(title)}</h1>\n<dl>{told}</dl>\n{_table(heads, rows, sums)}"
    return PAGE.format(title=escape(title), body=body)


def _table(heads: Sequence[str], rows: Sequence[Sequence[Any]], sums: Sequence[tuple[str, Any]]) -> str:
    """Rows under their heads; numbers stand to the right."""
    head = "".join(f"<th>{escape(one)}</th>" for one in heads)
    lines = "".join("<tr>" + "".join(_cell(value) for value in row) + "</tr>\n" for row in rows)
    wide = len(heads) - 1
    foot = "".join(
        f'<tr><td colspan="{wide}" class="n">{escape(name)}</td>{_cell(_money(value))}</tr>\n'
        for name, value in sums
        if value is not None
    )
    return f"<table><thead><tr>{head}</tr></thead>\n<tbody>{lines}</tbody>\n<tfoot>{foot}</tfoot></table>"


def _cell(value: Any) -> str:
    number = isinstance(value, int | float) or (isinstance(value, str) and value.replace(".", "").isdigit())
    kind = ' class="n"' if number else ""
    return f"<td{kind}>{_text(value)}</td>"


def _money(value: int | float | None) -> str | None:
    """Two decimals, more where there are more."""
    if value is None:
        return None
    return f"{value:.2f}" if round(value, 2) == value else f"{value:f}".rstrip("0")


def _text(value: Any) -> str:
    return "" if value is None else escape(str(value)).replace("\n", "<br>")
