"""The cells only files of customers and orders have."""

import re
from datetime import time

from rimekeep.platform.csvfile import CellError, Dialect, count, decimal, whole
from rimekeep.wording import say

_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


def days(cell: str, dialect: Dialect) -> int:
    """Read a number of days of life."""
    number = count(cell, dialect)
    if number > 3650:
        raise CellError(
            say("{number} days are more than ten years.", number=number), say("Check the digits.")
        )
    return number


def fraction(cell: str, dialect: Dialect) -> float:
    """Read a share of the whole life, from 0 to 1."""
    number = decimal(cell, dialect)
    if not 0 <= number <= 1:
        raise CellError(say("{cell!r} is no share.", cell=cell), say("Give 0 to 1: two thirds are 0.667."))
    return number


def cases(cell: str, dialect: Dialect) -> int:
    """Read a number of cases."""
    number = count(cell, dialect)
    if not 1 <= number <= 100_000:
        raise CellError(say("{number} cases cannot be ordered.", number=number), say("Give 1 to 100000."))
    return number


def positive(cell: str, dialect: Dialect) -> int:
    """Read a number from 1 to 1000."""
    number = count(cell, dialect)
    if not 1 <= number <= 1000:
        raise CellError(say("{number} is out of range.", number=number), say("Give 1 to 1000."))
    return number


def priority(cell: str, dialect: Dialect) -> int:
    """Read a priority."""
    number = whole(cell, dialect)
    if abs(number) > 1000:
        raise CellError(
            say("{number} is out of range.", number=number),
            say("Give -1000 to 1000; a higher one is served first."),
        )
    return number


class Degrees:
    """Reads a coordinate in degrees by WGS 84."""

    def __init__(self, limit: int) -> None:
        """Take -limit to limit. [°]"""
        self.limit = limit

    def __call__(self, cell: str, dialect: Dialect) -> float:
        """Read one cell."""
        number = decimal(cell, dialect)
        if abs(number) > self.limit:
            raise CellError(
                say("{cell!r} is not on the globe.", cell=cell),
                say("Give degrees from -{limit} to {limit}.", limit=self.limit),
            )
        return number


def clock(cell: str, _dialect: Dialect) -> time:
    """Read a time of day."""
    found = _CLOCK.fullmatch(cell)
    if found is None:
        raise CellError(
            say("{cell!r} is not a time of day.", cell=cell), say("Write hours:minutes by 24 hours: 06:30.")
        )
    return time(int(found[1]), int(found[2]))
