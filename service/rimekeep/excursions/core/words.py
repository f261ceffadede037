"""Rules and kinds of excursion in plain words, for people who sign for them."""

from rimekeep.excursions.core.agreement import LASTS_S, MARGIN_C
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.states import ExcursionKind

KINDS = {
    ExcursionKind.TOO_WARM: "too warm",
    ExcursionKind.TOO_COLD: "too cold",
    ExcursionKind.SILENT: "sensor silent",
    ExcursionKind.DISAGREE: "sensors disagree",
    ExcursionKind.CALIBRATION: "calibration overdue",
}

CAUTIONS = (
    "Nobody enters a cold room alone; tell somebody outside, and check that the door opens from within.",
    "Leaking kegs and CO2 lines fill low rooms without a smell: measure or air the room before going in.",
    "Warm air over cold floors makes water, and frost makes ice: walk, and grit or close slippery places.",
    "Frozen bottles and kegs may burst, also while they thaw: keep people away and wear eye protection.",
    "The rules of your site and the law come before this sheet; licensed people repair refrigeration.",
)


def rule_words(rule: Rule, *, is_guard_of_sensor: bool = False) -> str:
    """
    Return a rule as a sentence.

    Examples
    --------
    >>> rule_words(Rule("above", 8.0, "single", 1800))
    'Air at 8 °C or above for 30 min without a break.'
    """
    allowed = f"for {span_words(rule.allowed_s)}" if rule.allowed_s else "at all"
    how = "without a break" if rule.kind == "single" else "in all, added up until QA starts a new count"
    parts = [f"Air at {rule.limit_c:g} °C or {rule.side} {allowed}"]
    if rule.allowed_s or rule.kind == "cumulative":
        parts[0] += f" {how}"
    parts[0] += "."
    if is_guard_of_sensor:
        parts.append("The limit is moved inwards by the stated error of the sensor each reading is from.")
    elif rule.guard_c:
        parts.append(f"The limit is moved inwards by {rule.guard_c:g} K.")
    if rule.hysteresis_c:
        parts.append(f"Over once the air is back inside by more than {rule.hysteresis_c:g} K.")
    return " ".join(parts)


def kind_words(kind: str, limit_c: float | None) -> str:
    """Return what watches for a kind of sensor trouble, as a sentence; empty for a rule's own kinds."""
    match kind:
        case ExcursionKind.SILENT:
            return "A sensor that has not spoken for three of its intervals."
        case ExcursionKind.DISAGREE:
            allowed = "" if limit_c is None else f", {limit_c:g} K here,"
            return (
                f"Two sensors of one room further apart than both stated errors and {MARGIN_C:g} K{allowed} "
                f"for {span_words(LASTS_S)} without a break."
            )
        case ExcursionKind.CALIBRATION:
            return "A sensor whose calibration was due and is not on record; the day it is due counts whole."
    return ""


def hold_reason(kind: str, limit_c: float | None, zone_code: str, excursion_id: int) -> str:
    """
    Return why an excursion stops a unit.

    Examples
    --------
    >>> hold_reason("too_warm", 8.0, "COLD", 3)
    'air at or above 8 °C in COLD, excursion 3'
    """
    what = KINDS[ExcursionKind(kind)]
    if limit_c is not None and kind in (ExcursionKind.TOO_WARM, ExcursionKind.TOO_COLD):
        what = f"air at or {'above' if kind == ExcursionKind.TOO_WARM else 'below'} {limit_c:g} °C"
    return f"{what} in {zone_code}, excursion {excursion_id}"


def span_words(span_s: float) -> str:
    """
    Return a length of time as people say it.

    Examples
    --------
    >>> span_words(45), span_words(1800), span_words(9000), span_words(180000)
    ('45 s', '30 min', '2 h 30 min', '2 days 2 h')
    """
    whole = round(span_s)
    if whole < 60:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h" + (f" {minutes} min" if minutes else "")
    days, hours = divmod(hours, 24)
    return f"{days} days" + (f" {hours} h" if hours else "")
