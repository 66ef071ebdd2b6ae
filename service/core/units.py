"""Text and numbers in, exact integers out: grams and milligrams, pieces, percent and ppm, money and millionths.

Sources: 1 lb = 453.59237 g exactly, 1 US gallon = 231 cubic inches (NIST Handbook 44, Appendix C);
1 imperial gallon = 4.54609 l exactly (UK Weights and Measures Act 1985, Schedule 1).
"""

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation, localcontext

from service.errors import Invalid

MG_PER_G = 1000
PPM_PER_PERCENT = 10_000
MICRO = 1_000_000
NANO = 1_000_000_000
FULL_PPM = 1_000_000
MOST = 10**12  # smallest units in one figure: a thousand tonnes

GRAMS = {
    "g": Decimal(1),
    "kg": Decimal(1000),
    "lb": Decimal("453.59237"),
    "oz": Decimal("28.349523125"),
}
MILLILITRES = {
    "ml": Decimal(1),
    "l": Decimal(1000),
    "us_fl_oz": Decimal("29.5735295625"),
    "imp_fl_oz": Decimal("28.4130625"),
    "us_gal": Decimal("3785.411784"),
    "imp_gal": Decimal("4546.09"),
}
UNITS = (*GRAMS, *MILLILITRES, "piece")


def parse_decimal(value: int | str | Decimal) -> Decimal:
    """A number or a decimal string with point or comma, at most 15 significant digits; ValueError says why not."""
    if isinstance(value, str):
        value = value.strip().replace(",", ".", 1)
        if not value or any(letter not in "0123456789.+-" for letter in value):
            raise ValueError("must be a number like 12.5")
    try:
        number = Decimal(value)
    except InvalidOperation:
        raise ValueError("must be a number like 12.5") from None
    if not number.is_finite():
        raise ValueError("must be a finite number")
    if number and abs(number.adjusted()) > 30:
        raise ValueError("is out of range")
    digits = "".join(map(str, number.as_tuple().digits)).strip("0")  # exact: normalize() would round to 28 digits
    if len(digits) > 15:
        raise ValueError("may have at most 15 significant digits")
    return number


def quantity_in(value: Decimal, unit: str, pointer: str) -> int:
    """A quantity in the item's unit as its smallest unit (mg or pieces); finer or larger ones are refused."""
    scaled = value * MG_PER_G if unit == "g" else value
    if scaled != scaled.to_integral_value():
        if unit == "g":
            raise Invalid.field(pointer, "is finer than 1 mg", str(value), "at most 3 decimals")
        raise Invalid.field(pointer, "must be whole pieces", str(value), "a whole number")
    if not 0 <= scaled <= MOST:
        raise Invalid.field(pointer, "is out of range", str(value), "0 to 1,000,000,000")
    return int(scaled)


def convert_in(value: Decimal, given_unit: str, item_unit: str, density_g_per_ml: Decimal | None, pointer: str) -> int:
    """A quantity in any known unit as the item's smallest unit, half to even to the milligram, never to 0."""
    at = pointer.rsplit("/", 1)[0] + "/unit"
    if given_unit not in UNITS:
        raise Invalid.field(at, "is not a known unit", given_unit, ", ".join(UNITS))
    if (given_unit == "piece") != (item_unit == "piece"):
        allowed = "piece" if item_unit == "piece" else "a unit of weight or volume"
        raise Invalid.field(at, "does not fit the item", given_unit, allowed)
    if given_unit in ("g", "piece"):
        return quantity_in(value, item_unit, pointer)
    if given_unit not in GRAMS and density_g_per_ml is None:
        raise Invalid.field(at, "is a volume, and the item's density is not known", given_unit, "a weight")
    with localcontext(prec=80):  # exact products, so that there is one rounding
        per_unit = (
            GRAMS[given_unit] if density_g_per_ml is None or given_unit in GRAMS else MILLILITRES[given_unit] * density_g_per_ml
        )
        grams = value * per_unit
        milligrams = int((grams * MG_PER_G).to_integral_value(ROUND_HALF_EVEN))
    if (value and not milligrams) or not 0 <= milligrams <= MOST:
        raise Invalid.field(pointer, "is out of range", str(value), "1 mg to 1,000,000,000 g")
    return milligrams


def _number(numerator: int, scale: int) -> int | float:
    whole, rest = divmod(numerator, scale)
    return whole if not rest else numerator / scale


def quantity_out(smallest: int, unit: str) -> int | float:
    """A quantity in the item's unit, as the shortest exact JSON number."""
    return _number(smallest, MG_PER_G) if unit == "g" else smallest


def money_in(value: Decimal, pointer: str) -> int:
    """Money as millionths."""
    scaled = value * MICRO
    if scaled != scaled.to_integral_value() or not 0 <= scaled <= 10**15:
        raise Invalid.field(pointer, "is out of range", str(value), "0 to 1,000,000,000, at most 6 decimals")
    return int(scaled)


def money_out(micro: int | None) -> int | float | None:
    """Millionths as money; None stays None: unknown is never 0."""
    return None if micro is None else _number(micro, MICRO)


def half_even(numerator: int, denominator: int) -> int:
    """The whole number nearest to a fraction, exactly; of two as near the even one."""
    whole, rest = divmod(numerator, denominator)
    return whole + (2 * rest > denominator or (2 * rest == denominator and whole % 2 == 1))


def rate_in(value: Decimal, pointer: str) -> int:
    """An exchange rate as billionths."""
    scaled = value * NANO
    if scaled != scaled.to_integral_value() or not 0 < scaled <= NANO * 1_000_000:
        raise Invalid.field(pointer, "is out of range", str(value), "above 0 to 1,000,000, at most 9 decimals")
    return int(scaled)


def rate_out(nano: int | None) -> int | float | None:
    """Billionths as a rate; None stays None."""
    return None if nano is None else _number(nano, NANO)


def exchanged(micro: int, rate_nano: int) -> int:
    """Money in another currency at a rate, half to even to the millionth."""
    return half_even(micro * rate_nano, NANO)


def percent_in(value: Decimal, pointer: str) -> int:
    """A percentage as parts per million, up to 4 decimals, above 0 and at most 100."""
    scaled = value * PPM_PER_PERCENT
    if scaled != scaled.to_integral_value() or not 0 < scaled <= FULL_PPM:
        raise Invalid.field(pointer, "is out of range", str(value), "above 0 to 100, at most 4 decimals")
    return int(scaled)


def percent_out(ppm: int) -> int | float:
    """Parts per million as a percentage."""
    return _number(ppm, PPM_PER_PERCENT)


def largest_remainder(total: int, weights: Sequence[int]) -> list[int]:
    """Split `total` by weights into whole parts that sum to it; ties go by order (Hamilton's method)."""
    whole = sum(weights)
    if whole <= 0:
        raise ValueError("weights must sum to more than 0")
    shares = [divmod(total * weight, whole) for weight in weights]
    parts = [share for share, _ in shares]
    order = sorted(range(len(weights)), key=lambda at: (-shares[at][1], at))
    for at in order[: total - sum(parts)]:
        parts[at] += 1
    return parts


def said(smallest: int, unit: str) -> str:
    """A quantity for a sentence: `4.2 kg`, `850 g`, `24 pieces`."""
    if unit != "g":
        return f"{smallest} piece" if smallest == 1 else f"{smallest} pieces"
    if abs(smallest) >= 1_000_000:
        return f"{_short(Decimal(smallest) / 1_000_000)} kg"
    return f"{_short(Decimal(smallest) / 1000)} g"


def said_out(quantity: int | float, unit: str) -> str:
    """The same of a quantity that is already as an answer gives it."""
    return said(round(quantity * 1000) if unit == "g" else round(quantity), unit)


def _short(value: Decimal) -> str:
    step = Decimal("0.01") if abs(value) >= Decimal("0.1") else Decimal("0.001")
    return f"{value.quantize(step).normalize():f}"
