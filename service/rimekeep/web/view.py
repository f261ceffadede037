"""How somebody wants to see the pages: in which language, in which units. Kept in a cookie of the browser."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_time, get_datetime_format
from babel.numbers import format_decimal
from starlette.requests import Request

from rimekeep.platform.language import LANGUAGES, VIEW_COOKIE, locale_of
from rimekeep.units import LB_PER_KG, MM_PER_IN, c_to_f

UNITS: Final = ("metric", "us")


@dataclass(frozen=True, slots=True)
class View:
    """A locale of `LANGUAGES` and a system of `UNITS`; formats what a page shows."""

    locale: str = "en-GB"
    units: str = "metric"

    @property
    def language(self) -> str:
        """Return the language as HTML's ``lang`` has it."""
        return self.locale

    @property
    def cookie(self) -> str:
        """Return what the browser keeps."""
        return f"{self.locale}.{self.units}"

    @property
    def _babel(self) -> Locale:
        return Locale.parse(self.locale, sep="-")

    def day(self, value: date | None) -> str:
        """Return a calendar day: 3 Jun 2026."""
        return "–" if value is None else format_date(value, "medium", locale=self._babel)

    def long_day(self, value: date) -> str:
        """Return a calendar day with its weekday."""
        return format_date(value, "full", locale=self._babel)

    def moment(self, value: datetime | None, zone: ZoneInfo) -> str:
        """Return day and time of day at a place."""
        if value is None:
            return "–"
        local = value.astimezone(zone)
        # The language's own way to join them; seconds say nothing to anybody here.
        joined = str(get_datetime_format("medium", locale=self._babel))
        return joined.format(self.clock(value, zone), self.day(local.date()))

    def clock(self, value: datetime | None, zone: ZoneInfo) -> str:
        """Return the time of day at a place."""
        return "–" if value is None else format_time(value, "short", tzinfo=zone, locale=self._babel)

    def number(self, value: float | None, digits: int = 0) -> str:
        """Return a number with so many digits after the point, halves to even."""
        if value is None:
            return "–"
        rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_EVEN)
        return format_decimal(rounded, format=_pattern(digits), locale=self._babel)

    def temp(self, value_c: float | None, digits: int = 1) -> str:
        """Return a temperature, °C or °F."""
        if value_c is None:
            return "–"
        if self.units == "us":
            return f"{self.number(c_to_f(value_c), digits)} °F"
        return f"{self.number(value_c, digits)} °C"

    def degrees(self, value_c: float) -> str:
        """Return the mark of an axis: a temperature without its unit, with no more digits than it has."""
        shown = round(c_to_f(value_c) if self.units == "us" else value_c, 2)
        return self.number(shown, next(digits for digits in range(3) if round(shown, digits) == shown))

    def clock_of(self, at_s: float, zone: ZoneInfo) -> str:
        """Return the time of day of an instant in seconds since 1970."""
        return self.clock(datetime.fromtimestamp(at_s, zone), zone)

    def day_of(self, at_s: float, zone: ZoneInfo) -> str:
        """Return the calendar day of an instant in seconds since 1970."""
        return self.day(datetime.fromtimestamp(at_s, zone).date())

    def temp_step(self, value_k: float | None, digits: int = 1) -> str:
        """Return a difference of temperatures, K or °F."""
        if value_k is None:
            return "–"
        if self.units == "us":
            return f"{self.number(value_k * 1.8, digits)} °F"
        return f"{self.number(value_k, digits)} K"

    def mass(self, value_kg: float | None, digits: int = 0) -> str:
        """Return a mass, kg or lb."""
        if value_kg is None:
            return "–"
        if self.units == "us":
            return f"{self.number(value_kg * LB_PER_KG, digits)} lb"
        return f"{self.number(value_kg, digits)} kg"

    def length(self, value_mm: float | None) -> str:
        """Return a length, m or in."""
        if value_mm is None:
            return "–"
        if self.units == "us":
            return f"{self.number(value_mm / MM_PER_IN)} in"
        return f"{self.number(value_mm / 1000, 2)} m"


def _pattern(digits: int) -> str:
    return "#,##0" + ("." + "0" * digits if digits else "")


def view_of(request: Request) -> View:
    """Return what the browser's cookie says; without one, the first language it asks for that is had."""
    locale, _, units = request.cookies.get(VIEW_COOKIE, "").partition(".")
    if locale in LANGUAGES and units in UNITS:
        return View(locale, units)
    return View(locale_of(request))
