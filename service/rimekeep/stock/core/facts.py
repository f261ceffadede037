"""What must be true of a product, zone, bay or lot before it is stored; a check names every fault at once."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, tzinfo
from enum import StrEnum
from typing import Any

from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.stock.core import gs1
from rimekeep.stock.core.states import BayRole, Footprint, Package, ZoneKind
from rimekeep.wording import say

SSCC_LENGTH = 18
GTIN_LENGTHS = (8, 12, 13, 14)
MOST_CASES = 100_000
MOST_SLOTS = 10_000
# Between the front and the back one; the exact walk's time grows about fivefold with each.
MOST_MIDDLE_CROSS_AISLES = 5
EARLIEST_YEAR = 2000
LONGEST_LIFE_YEARS = 30
# Ranges outside which a number is a slip of the unit or the comma, not a brewery's pallet.
RANGES: Mapping[str, tuple[float, float]] = {
    "abv_pct": (0, 25),
    "original_extract_p": (0, 40),
    "alcohol_mass_pct": (0, 20),
    "case_mass_kg": (0.01, 1500),
    "cases_per_layer": (1, 1000),
    "layers_per_pallet": (1, 100),
    "pallet_tare_kg": (0, 200),
    "carry_min_c": (-40, 60),
    "carry_max_c": (-40, 60),
    "value_per_case": (0, 1_000_000),
    "planned_c": (-40, 60),
    "slot_pitch_m": (0.01, 100),
    "aisle_pitch_m": (0.01, 100),
    "cross_aisle_offset_m": (0, 100),
    "slots_front_block": (1, 1000),
    "level_penalty_m": (0, 1000),
    "units_per_walk": (1, 50),
    "max_unit_height_mm": (200, 4000),
    "max_unit_mass_kg": (50, 3000),
    "case_height_mm": (1, 3000),
    "crush_limit_kg": (0, 5000),
    "aisle": (1, 1000),
    "slot": (1, 10_000),
    "level": (0, 100),
    "depth": (1, 50),
    "capacity_units": (1, 1000),
    "cases_made": (0, 10_000_000),
    "start_core_c": (-40, 60),
}


def refuse(faults: Iterable[Fault]) -> None:
    """Raise `Invalid` with all ``faults``, if there are any."""
    found = tuple(faults)
    if found:
        raise Invalid("invalid-input", say("The input cannot be used as it is."), found)


def require_sscc(sscc: str, *, where: str = "sscc") -> str:
    """Return ``sscc`` if it is 18 digits with the right check digit; raise `Invalid` otherwise."""
    fault = sscc_fault(sscc, where=where)
    if fault is None:
        return sscc
    if len(sscc) != SSCC_LENGTH or not gs1.is_digits(sscc):
        raise Invalid("sscc-form", say("The SSCC cannot be right."), (fault,))
    digits: dict[str, object] = {"read": int(sscc[-1]), "right": gs1.check_digit(sscc[:-1])}
    raise Invalid("sscc-check-digit", say("The SSCC cannot be right."), (fault,), digits)


def require_gtin(gtin: str, *, where: str = "gtin") -> str:
    """Return ``gtin`` in 14 digits if its check digit is right; raise `Invalid` otherwise."""
    fault = _key_fault(gtin, GTIN_LENGTHS, where)
    if fault is not None:
        raise Invalid("gtin-check-digit", say("The GTIN cannot be right."), (fault,))
    return normal_gtin(gtin)


def normal_gtin(gtin: str) -> str:
    """Return a GTIN in the 14 digits labels carry it in."""
    return gtin.zfill(14)


def _key_fault(text: str, lengths: tuple[int, ...], where: str) -> Fault | None:
    wanted = " or ".join(str(length) for length in lengths)
    if not gs1.is_digits(text):
        return Fault(
            where,
            say("{text!r} is not made of digits only.", text=text[:40]),
            say(
                "Give the {wanted} digits of the label; in a spreadsheet, format the column as text.",
                wanted=wanted,
            ),
        )
    if len(text) not in lengths:
        return Fault(
            where,
            say("{text} has {n} digits, {wanted} are due.", text=text[:40], n=len(text), wanted=wanted),
            say(
                "Scan the label again; a spreadsheet may have dropped leading zeros: format the column "
                "as text."
            ),
        )
    right = gs1.check_digit(text[:-1])
    if right == int(text[-1]):
        return None
    return Fault(
        where,
        say(
            "The check digit of {text} reads {text_1}; {right} would be right.",
            text=text,
            text_1=text[-1],
            right=right,
        ),
        say("A digit was misread or mistyped: scan the label again."),
    )


def sscc_fault(sscc: str, *, where: str = "sscc") -> Fault | None:
    """Return what is wrong with an SSCC, or None."""
    return _key_fault(sscc, (SSCC_LENGTH,), where)


def range_faults(facts: Mapping[str, Any], *names: str) -> Iterable[Fault]:
    """Yield what lies outside `RANGES` among the facts named."""
    for name in names:
        low, high = RANGES[name]
        value = facts.get(name)
        if value is not None and not low <= value <= high:
            yield Fault(
                name,
                say("{value:g} is outside {low:g} to {high:g}.", value=value, low=low, high=high),
                say("Check the unit and the decimal sign."),
            )


def _word_faults(facts: Mapping[str, Any], name: str, words: type[StrEnum]) -> Iterable[Fault]:
    if facts[name] not in set(words):
        yield Fault(
            name,
            say("{facts!r} is not known here.", facts=facts[name]),
            say("Use one of: {choices}.", choices=", ".join(words)),
        )


def product_faults(facts: Mapping[str, Any]) -> list[Fault]:
    """Return everything wrong with a product's facts."""
    faults = [*_word_faults(facts, "package", Package), *_word_faults(facts, "footprint", Footprint)]
    faults += range_faults(
        facts, "abv_pct", "original_extract_p", "alcohol_mass_pct", "case_mass_kg", "cases_per_layer",
        "layers_per_pallet", "pallet_tare_kg", "carry_min_c", "carry_max_c", "value_per_case",
        "case_height_mm", "crush_limit_kg",
    )  # fmt: skip
    if facts.get("gtin") is not None:
        fault = _key_fault(facts["gtin"], GTIN_LENGTHS, "gtin")
        faults += [fault] if fault else []
    if facts["carry_min_c"] > facts["carry_max_c"]:
        faults.append(
            Fault(
                "carry_max_c",
                say(
                    "{facts:g} is below carry_min_c {facts_carry_min_c:g}.",
                    facts=facts["carry_max_c"],
                    facts_carry_min_c=facts["carry_min_c"],
                ),
                say("Give the lowest air temperature first, then the highest."),
            )
        )
    return faults


def zone_faults(facts: Mapping[str, Any]) -> list[Fault]:
    """Return everything wrong with a zone's facts."""
    faults = [*_word_faults(facts, "kind", ZoneKind)]
    faults += range_faults(
        facts, "planned_c", "slot_pitch_m", "aisle_pitch_m", "cross_aisle_offset_m", "slots_front_block",
        "level_penalty_m", "units_per_walk", "max_unit_height_mm", "max_unit_mass_kg",
    )  # fmt: skip
    geometry = ("slot_pitch_m", "aisle_pitch_m", "cross_aisle_offset_m")
    given = [name for name in geometry if facts.get(name) is not None]
    faults += [
        Fault(
            name,
            say("The aisles' geometry is given in part only."),
            say("Give all of {choices}, or none.", choices=", ".join(geometry)),
        )
        for name in geometry
        if given and name not in given
    ]
    middle = facts.get("cross_aisles_after") or []
    if len(set(middle)) > MOST_MIDDLE_CROSS_AISLES or any(not 1 <= slot <= MOST_SLOTS for slot in middle):
        faults.append(
            Fault(
                "cross_aisles_after",
                say("{choices} cannot be where cross aisles run.", choices=", ".join(map(str, middle[:10]))),
                say(
                    "Give at most {MOST_MIDDLE_CROSS_AISLES} slot numbers from 1 to {MOST_SLOTS}.",
                    MOST_MIDDLE_CROSS_AISLES=MOST_MIDDLE_CROSS_AISLES,
                    MOST_SLOTS=MOST_SLOTS,
                ),
            )
        )
    return faults


def _check_code_fault(check_code: str) -> list[Fault]:
    """Return what is wrong with a bay's check code."""
    if 1 <= len(check_code) <= 10 and check_code.isascii() and check_code.isalnum():
        return []
    return [
        Fault(
            "check_code",
            say("{check_code!r} is no check code.", check_code=check_code[:40]),
            say("Use 1 to 10 letters and digits."),
        )
    ]


def bay_faults(facts: Mapping[str, Any]) -> list[Fault]:
    """Return everything wrong with a bay's facts."""
    return [
        *range_faults(facts, "aisle", "slot", "level", "depth", "capacity_units"),
        *_word_faults(facts, "role", BayRole),
        *_check_code_fault(facts["check_code"]),
    ]


def start_core_fault(start_core_c: float | None) -> Fault | None:
    """Return what is wrong with the core temperature a unit came in with, or None."""
    return next(iter(range_faults({"start_core_c": start_core_c}, "start_core_c")), None)


def day_at(at: datetime, zone: tzinfo) -> date:
    """Return the calendar day of ``zone``; at the ends of the calendar, where it has none, that of UTC."""
    try:
        return at.astimezone(zone).date()
    except OverflowError:
        return at.date()


def lot_faults(facts: Mapping[str, Any], *, packaged_on: date, today: date) -> list[Fault]:
    """Return everything wrong with a lot's facts; days are the site's own."""
    faults = list(range_faults(facts, "cases_made"))
    strange = sorted(set(facts["code"]) - gs1.CHARACTER_SET_82)
    if strange or not 1 <= len(facts["code"]) <= gs1.ELEMENTS["10"].longest:
        faults.append(
            Fault(
                "code",
                say("{facts!r} cannot stand on a label as a lot (GS1 AI 10).", facts=facts["code"][:40]),
                say("Use 1 to 20 letters, digits and plain signs, without spaces."),
            )
        )
    if packaged_on > today:
        faults.append(
            Fault(
                "packaged_at",
                say("{packaged_on} is in the future.", packaged_on=packaged_on),
                say("Register the lot once it is packaged."),
            )
        )
    if packaged_on.year < EARLIEST_YEAR:
        faults.append(
            Fault(
                "packaged_at",
                say(
                    "{packaged_on} is before {EARLIEST_YEAR}.",
                    packaged_on=packaged_on,
                    EARLIEST_YEAR=EARLIEST_YEAR,
                ),
                say("Check the year on the label."),
            )
        )
    elif facts["best_before_on"].year > packaged_on.year + LONGEST_LIFE_YEARS:
        faults.append(
            Fault(
                "best_before_on",
                say(
                    "{facts} is more than {LONGEST_LIFE_YEARS} years after packaging.",
                    facts=facts["best_before_on"],
                    LONGEST_LIFE_YEARS=LONGEST_LIFE_YEARS,
                ),
                say("Check the year on the label."),
            )
        )
    if facts["best_before_on"] <= packaged_on:
        faults.append(
            Fault(
                "best_before_on",
                say(
                    "{facts} is not later than the packaging day {packaged_on}.",
                    facts=facts["best_before_on"],
                    packaged_on=packaged_on,
                ),
                say("Check both dates against the label."),
            )
        )
    return faults


def require_cases(cases: int, *, where: str, least: int = 1) -> int:
    """Return ``cases`` if it is a whole number one unit can hold; raise `Invalid` otherwise."""
    if isinstance(cases, bool) or not least <= cases <= MOST_CASES:
        raise invalid(
            where,
            say("{cases!r} is not a number of cases.", cases=cases),
            say("Give {least} to {MOST_CASES} whole cases.", least=least, MOST_CASES=MOST_CASES),
        )
    return cases
