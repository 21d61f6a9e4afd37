"""Digits of numbers in groups of three, as people read them."""

from __future__ import annotations

import re

NO_BREAK = "\u00a0"


def grouped(number: float | str) -> str:
    """A number with a no-break space between groups of three digits, from five digits on.

    So ISO 80000-1 asks: a comma or a point would be the decimal sign to some readers. Numbers of
    four digits stay together. It is for text, pages and messages; what programs read (CSV, JSON,
    YAML) has plain numbers.

    ``number``: to the nearest whole one, or text such as ``12400.5`` whose digits are kept.
    """
    text = number if isinstance(number, str) else str(round(number))
    return re.sub(
        r"^[+-]?\d{5,}", lambda whole: re.sub(r"\B(?=(\d{3})+$)", NO_BREAK, whole[0]), text
    )
