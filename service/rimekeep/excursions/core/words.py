"""Rules and kinds of excursion in plain words, for people who sign for them."""

from rimekeep.excursions.core.agreement import LASTS_S, MARGIN_C
from rimekeep.excursions.core.rules import Rule
from rimekeep.excursions.core.states import ExcursionKind
from rimekeep.wording import glued, say

KINDS = {
    ExcursionKind.TOO_WARM: say("too warm"),
    ExcursionKind.TOO_COLD: say("too cold"),
    ExcursionKind.SILENT: say("sensor silent"),
    ExcursionKind.DISAGREE: say("sensors disagree"),
    ExcursionKind.CALIBRATION: say("calibration overdue"),
}

CAUTIONS = (
    say("Nobody enters a cold room alone; tell somebody outside, and check that the door opens from within."),
    say(
        "Leaking kegs and CO2 lines fill low rooms without a smell: measure or air the room before going in."
    ),
    say(
        "Warm air over cold floors makes water, and frost makes ice: walk, and grit or close slippery places."
    ),
    say("Frozen bottles and kegs may burst, also while they thaw: keep people away and wear eye protection."),
    say("The rules of your site and the law come before this sheet; licensed people repair refrigeration."),
)


def rule_words(rule: Rule, *, is_guard_of_sensor: bool = False) -> str:
    """
    Return a rule as a sentence.

    Examples
    --------
    >>> rule_words(Rule("above", 8.0, "single", 1800))
    'Air at 8 °C or above for 30 min without a break.'
    """
    allowed = (
        say("for {span_words}", span_words=span_words(rule.allowed_s)) if rule.allowed_s else say("at all")
    )
    how = (
        say("without a break")
        if rule.kind == "single"
        else say("in all, added up until QA starts a new count")
    )
    is_measured = rule.allowed_s or rule.kind == "cumulative"
    parts = [
        say(
            "Air at {limit_c:g} °C or {side} {allowed} {how}.",
            limit_c=rule.limit_c,
            side=rule.side,
            allowed=allowed,
            how=how,
        )
        if is_measured
        else say(
            "Air at {limit_c:g} °C or {side} {allowed}.",
            limit_c=rule.limit_c,
            side=rule.side,
            allowed=allowed,
        )
    ]
    if is_guard_of_sensor:
        parts.append(
            say("The limit is moved inwards by the stated error of the sensor each reading is from.")
        )
    elif rule.guard_c:
        parts.append(say("The limit is moved inwards by {guard_c:g} K.", guard_c=rule.guard_c))
    if rule.hysteresis_c:
        parts.append(
            say(
                "Over once the air is back inside by more than {hysteresis_c:g} K.",
                hysteresis_c=rule.hysteresis_c,
            )
        )
    return glued(*parts)


def kind_words(kind: str, limit_c: float | None) -> str:
    """Return what watches for a kind of sensor trouble, as a sentence; empty for a rule's own kinds."""
    match kind:
        case ExcursionKind.SILENT:
            return say("A sensor that has not spoken for three of its intervals.")
        case ExcursionKind.DISAGREE:
            allowed = "" if limit_c is None else say(", {limit_c:g} K here,", limit_c=limit_c)
            return say(
                "Two sensors of one room further apart than both stated errors and {MARGIN_C:g} "
                "K{allowed} for {span_words} without a break.",
                MARGIN_C=MARGIN_C,
                allowed=allowed,
                span_words=span_words(LASTS_S),
            )
        case ExcursionKind.CALIBRATION:
            return say(
                "A sensor whose calibration was due and is not on record; the day it is due counts whole."
            )
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
        what = say(
            "air at or {which} {limit_c:g} °C",
            which=(say("above") if kind == ExcursionKind.TOO_WARM else say("below")),
            limit_c=limit_c,
        )
    return say(
        "{what} in {zone_code}, excursion {excursion_id}",
        what=what,
        zone_code=zone_code,
        excursion_id=excursion_id,
    )


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
