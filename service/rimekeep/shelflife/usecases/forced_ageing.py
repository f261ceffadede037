"""Forced-ageing scores from CSV files."""

from collections import Counter, defaultdict
from collections.abc import Callable
from datetime import datetime
from typing import cast

from sqlalchemy import insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.core.roles import Caller
from rimekeep.platform.csvfile import Column, ImportReport, Row, Rows, code, decimal
from rimekeep.platform.journal import Event, record
from rimekeep.shelflife.core.trial import LARGEST_SCORE, LONGEST_TRIAL_DAYS, MAX_POINTS, TRIED_C
from rimekeep.shelflife.tables import ForcedAgeingScore
from rimekeep.stock import queries as stock
from rimekeep.units import f_to_c
from rimekeep.wording import say

FORCED_AGEING_COLUMNS = (
    Column("sku", code),
    Column("series", code),
    Column("temp_c", decimal, is_required=False),
    Column("temp_f", decimal, is_required=False),
    Column("day", decimal),
    Column("score", decimal),
)
Progress = Callable[[int, int], None]
Sample = tuple[float, float, float]
_Key = tuple[int, str]


def import_forced_ageing(
    session: Session, now: datetime, caller: Caller, rows: Rows, progress: Progress
) -> ImportReport:
    """
    Store the scores of a file, a sample a line; replicates are lines of their own.

    A line that is there as often as the file has it is left alone, so that a file may be read twice, or again
    with more lines. Scores are never changed: a series with a mistake is imported anew under another name.
    """
    report = ImportReport("forced-ageing", rows=len(rows.rows), faults=list(rows.faults))
    products = {product.sku: product.id for product in session.scalars(stock.products(caller.site_id)[0])}
    given: dict[_Key, list[tuple[Row, Sample]]] = defaultdict(list)
    for done, row in enumerate(rows.rows, 1):
        product_id, sample = products.get(str(row.values["sku"])), _sample(report, row)
        if product_id is None:
            report.fault(
                row,
                "sku",
                say("there is no product {values!r}.", values=row.values["sku"]),
                say("Import products first."),
            )
        elif sample is not None:
            given[product_id, str(row.values["series"])].append((row, sample))
        progress(done, len(rows.rows))
    for (product_id, series), samples in given.items():
        held = _held(session, caller.site_id, product_id, series)
        _store(session, now, caller, report, (product_id, series), samples, held)
    return report


def _sample(report: ImportReport, row: Row) -> Sample | None:
    filled = [name for name in ("temp_c", "temp_f") if row.values[name] is not None]
    if len(filled) != 1:
        report.fault(
            row,
            "temp_f" if filled else "temp_c",
            (say("the line has two temperatures.") if filled else say("the line has no temperature.")),
            say("Fill exactly one of temp_c and temp_f."),
        )
        return None
    temp = cast(float, row.values[filled[0]])
    temp_c = temp if filled[0] == "temp_c" else f_to_c(temp)
    sample = (temp_c, cast(float, row.values["day"]), cast(float, row.values["score"]))
    bounds = (
        (filled[0], *TRIED_C, say("Check the unit: °C in temp_c, °F in temp_f.")),
        ("day", 0.0, LONGEST_TRIAL_DAYS, say("Give days since the start of the trial.")),
        ("score", -LARGEST_SCORE, LARGEST_SCORE, say("Give the score of the sample.")),
    )
    is_good = True
    for (column, least, most, mend), value in zip(bounds, sample, strict=True):
        if not least <= value <= most:
            unit = " °C" if column.startswith("temp") else ""
            report.fault(
                row,
                column,
                say(
                    "{value:g}{unit} is not from {least:g} to {most:g}{unit}.",
                    value=value,
                    unit=unit,
                    least=least,
                    most=most,
                ),
                mend,
            )
            is_good = False
    return sample if is_good else None


def _held(session: Session, site_id: int, product_id: int, series: str) -> Counter[Sample]:
    found = session.execute(
        select(col(ForcedAgeingScore.temp_c), col(ForcedAgeingScore.day), col(ForcedAgeingScore.score)).where(
            col(ForcedAgeingScore.site_id) == site_id,
            col(ForcedAgeingScore.product_id) == product_id,
            col(ForcedAgeingScore.series) == series,
        )
    )
    return Counter((float(temp_c), float(day), float(score)) for temp_c, day, score in found)


def _store(
    session: Session,
    now: datetime,
    caller: Caller,
    report: ImportReport,
    key: _Key,
    samples: list[tuple[Row, Sample]],
    held: Counter[Sample],
) -> None:
    product_id, series = key
    room = MAX_POINTS - held.total()
    left = held.copy()
    new: list[Sample] = []
    for row, sample in samples:
        if left[sample] > 0:
            left[sample] -= 1
            report.unchanged += 1
        elif len(new) >= room:
            report.fault(
                row,
                "series",
                say("the series has {MAX_POINTS} samples already.", MAX_POINTS=MAX_POINTS),
                say("Begin another series."),
            )
            return
        else:
            new.append(sample)
    if not new:
        return
    session.execute(
        insert(ForcedAgeingScore),
        [
            {
                "site_id": caller.site_id,
                "product_id": product_id,
                "series": series,
                "temp_c": temp_c,
                "day": day,
                "score": score,
            }
            for temp_c, day, score in new
        ],
    )
    report.created += len(new)
    data = {"product_id": product_id, "series": series, "scores": len(new)}
    record(session, caller.site_id, Event("forced_ageing.imported", now, actor_id=caller.id, data=data))
