"""Bays in ranges: every place of some aisles, slots and levels, each with a code made by one form."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rimekeep.errors import Fault
from rimekeep.wording import say

MOST_BAYS = 2000
PLACES = ("{aisle}", "{slot}", "{level}")
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")
_DIGITS = 2
# Three digits are read and typed quickly with gloves on; no two of so many neighbours share one.
CHECK_CODES = tuple(str(number) for number in range(100, 1000))


@dataclass(frozen=True, slots=True)
class Address:
    """Where in its zone a bay is."""

    aisle: int
    slot: int
    level: int


@dataclass(frozen=True, slots=True)
class BayRange:
    """
    Places from the first to the last one of each, both counted.

    ``code_form`` is a bay's code with the places ``{aisle}``, ``{slot}``, ``{level}``; aisles and slots are
    written with two digits at least, so that codes sort as the aisles run.
    """

    first_aisle: int
    last_aisle: int
    first_slot: int
    last_slot: int
    first_level: int
    last_level: int
    code_form: str

    @property
    def size(self) -> int:
        """Return how many bays it has."""
        return (
            max(0, self.last_aisle - self.first_aisle + 1)
            * max(0, self.last_slot - self.first_slot + 1)
            * max(0, self.last_level - self.first_level + 1)
        )

    def addresses(self) -> Iterator[Address]:
        """Yield the places, aisle by aisle, slot by slot, from the floor up."""
        for aisle in range(self.first_aisle, self.last_aisle + 1):
            for slot in range(self.first_slot, self.last_slot + 1):
                for level in range(self.first_level, self.last_level + 1):
                    yield Address(aisle, slot, level)

    def code(self, address: Address) -> str:
        """Return the code of a place."""
        numbers = (f"{address.aisle:0{_DIGITS}}", f"{address.slot:0{_DIGITS}}", str(address.level))
        code = self.code_form
        for place, number in zip(PLACES, numbers, strict=True):
            code = code.replace(place, number)
        return code


def range_of_bays_faults(asked: BayRange) -> list[Fault]:
    """Return everything wrong with a range of bays."""
    faults = [
        Fault(
            f"last_{name}",
            say("{last} is before {first}.", last=last, first=first),
            say("Give the smaller number first."),
        )
        for name, first, last in (
            ("aisle", asked.first_aisle, asked.last_aisle),
            ("slot", asked.first_slot, asked.last_slot),
            ("level", asked.first_level, asked.last_level),
        )
        if last < first
    ]
    if asked.size > MOST_BAYS:
        words = say(
            "These would be {size} bays; at most {MOST_BAYS} are added at once.",
            size=asked.size,
            MOST_BAYS=MOST_BAYS,
        )
        faults.append(Fault("last_aisle", words, say("Add them aisle by aisle.")))
    if faults:
        return faults
    last = Address(asked.last_aisle, asked.last_slot, asked.last_level)
    if not _CODE.fullmatch(asked.code(last)):
        words = say("{code!r} cannot be a bay's code.", code=asked.code(last)[:60])
        mend = say(
            "Use letters, digits, dot, dash, slash and the places {aisle}, {slot}, {level}; at most 40 signs."
        )
        faults.append(Fault("code_form", words, mend))
    ends = zip(
        PLACES,
        (asked.first_aisle, asked.first_slot, asked.first_level),
        (asked.last_aisle, asked.last_slot, asked.last_level),
        strict=True,
    )
    lacking = [place for place, first, end in ends if first != end and place not in asked.code_form]
    if lacking:
        words = say("Bays would share a code: {choices} is not in it.", choices=" and ".join(lacking))
        faults.append(
            Fault(
                "code_form",
                words,
                say("Write {choices} where it stands in the code.", choices=" and ".join(lacking)),
            )
        )
    return faults


def repeated(codes: Sequence[str]) -> str | None:
    """Return a code that stands for two places, as "{aisle}{slot}" makes it from 100 on, or None."""
    seen: set[str] = set()
    for code in codes:
        if code in seen:
            return code
        seen.add(code)
    return None
