"""Millimetres inside, inches and millimetres on the surface.

The inch is 25.4 mm exactly (international yard and pound agreement, 1 July 1959).
"""

from __future__ import annotations

from fractions import Fraction

MM_PER_INCH = 25.4


def inches(mm: float) -> float:
    """Return millimetres as inches.

    >>> inches(76.2)
    3.0
    """
    return mm / MM_PER_INCH


def millimetres(inch: float) -> float:
    """Return inches as millimetres.

    >>> millimetres(2.5)
    63.5
    """
    return inch * MM_PER_INCH


def inch_fraction(mm: float, denominator: int = 16) -> str:
    """Write a length as whole inches and a fraction, as a ruler shows it.

    >>> inch_fraction(88.9)
    '3-1/2 in'
    >>> inch_fraction(76.2)
    '3 in'
    >>> inch_fraction(9.5)
    '3/8 in'
    """
    sixteenths = round(inches(mm) * denominator)
    whole, rest = divmod(abs(sixteenths), denominator)
    sign = "-" if sixteenths < 0 else ""
    if not rest:
        return f"{sign}{whole} in"
    part = Fraction(rest, denominator)
    return f"{sign}{whole}-{part} in" if whole else f"{sign}{part} in"


def give_or_take(value: float, half_width: float) -> str:
    """Write a length in millimetres with the digits its 95 % half-width earns.

    >>> give_or_take(82.3, 3.2)
    '82 mm, give or take 3'
    >>> give_or_take(82.34, 0.64)
    '82.3 mm, give or take 0.6'
    """
    digits = 0 if half_width >= 0.95 else 1
    return f"{value:.{digits}f} mm, give or take {max(half_width, 0.1):.{digits}f}"


def percent(fraction: float) -> str:
    """Write a fraction as percent: whole numbers, one decimal under 3.

    >>> percent(0.153), percent(0.0214), percent(0.0)
    ('15 %', '2.1 %', '0 %')
    """
    value = 100 * fraction
    return f"{value:.1f} %" if 0 < round(value, 1) < 3 else f"{value:.0f} %"
