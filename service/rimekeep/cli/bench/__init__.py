"""Figures of speed, as ratios measured in one run on one machine."""

import json
import os
import platform
from collections.abc import Callable
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Annotated

import typer
from rich.table import Table

from rimekeep.cli.bench import (
    beside,
    growth,
    ingest,
    life,
    lists,
    outbox,
    pages,
    recalls,
    traces,
    walks,
    waves,
)
from rimekeep.cli.bench.ground import ground
from rimekeep.cli.bench.loads import measure as loads
from rimekeep.cli.output import err, out


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured ratio."""

    work: str
    ratio: float
    aim: str
    detail: str


class Part(StrEnum):
    """What can be measured by itself."""

    LIFE = "life"
    LISTS = "lists"
    WAVES = "waves"
    READINGS = "readings"
    WALKS = "walks"
    GROWTH = "growth"
    OUTBOX = "outbox"
    LOADS = "loads"
    TRACES = "traces"
    RECALLS = "recalls"
    PAGES = "pages"


@dataclass(frozen=True, slots=True)
class Size:
    """How much is measured."""

    units: int
    days: int
    batches: int
    taken: int
    capped: int
    years: int
    planned: int
    events: int


def bench(
    database_url: Annotated[
        str | None,
        typer.Option(
            help="An empty PostgreSQL database to measure on; default: SQLite in a temporary folder."
        ),
    ] = None,
    only: Annotated[list[Part] | None, typer.Option(help="Measure this part; may be given again.")] = None,
    units: Annotated[
        int, typer.Option(min=100, help="Units for the life figures and the next pick list.")
    ] = 100_000,
    days: Annotated[int, typer.Option(min=2, help="Days of ten-minute readings for the life figures.")] = 365,
    batches: Annotated[int, typer.Option(min=5, help="Batches of 1,000 readings to take in.")] = 60,
    taken: Annotated[
        int, typer.Option("--lists", min=lists.CLIENTS, help="Pick lists to take a turn.")
    ] = 512,
    capped: Annotated[int, typer.Option(min=1, help="Waves with lot caps.")] = 5,
    years: Annotated[int, typer.Option(min=1, help="Years of readings for the growth figure.")] = 5,
    planned: Annotated[int, typer.Option(min=1, help="Days of load plans.")] = 100,
    events: Annotated[
        int, typer.Option(min=traces.SMALLEST, help="Events in the largest ledger of traces and recalls.")
    ] = 1_000_000,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print the figures of speed, all or the parts asked for, each as a ratio within this run."""
    size = Size(units, days, batches, taken, capped, years, planned, events)
    figures: list[Figure] = []
    with ground(database_url) as place:
        kind = place.kind
    wanted = list(only or Part)
    if only is None and (what := pages.lacking()):
        err.print(f"pages are not measured: this machine lacks {what}.")
        wanted.remove(Part.PAGES)
    for part in wanted:
        err.print(f"measuring {part} on {kind} …")
        figures += _MEASURES[part](database_url, size)
    machine = f"{kind}; {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"
    if as_json:
        print(json.dumps({"machine": machine, "figures": [asdict(figure) for figure in figures]}))
        return
    shown = Table("work", "ratio", "aim", "how it was measured", title=machine)
    for figure in figures:
        shown.add_row(figure.work, f"{figure.ratio:.2f}", figure.aim, figure.detail)
    out.print(shown)


def _life(database_url: str | None, size: Size) -> list[Figure]:
    with ground(database_url) as place:
        few = life.measure(place, units=max(10, size.units // 100), days=size.days)
    with ground(database_url) as place:
        many = life.measure(place, units=size.units, days=size.days)
    detail = life.told(many, days=size.days)
    return [
        Figure(
            "refresh of life, against each unit integrated by itself", many.refresh_ratio, "≥ 1000", detail
        ),
        Figure("the same from nothing, once", many.anew_ratio, "≥ 1", "as above"),
        *(
            Figure(
                f"one reading {hours} h late, with {many.units} units against {few.units}",
                many.late[hours].seconds / few.late[hours].seconds,
                "≤ 1.5, but for units that change",
                f"{few.late[hours].seconds:.3f} s and {few.late[hours].looked_at} units looked at, "
                f"{many.late[hours].seconds:.3f} s and {many.late[hours].looked_at} units",
            )
            for hours in many.late
        ),
    ]


def _lists(database_url: str | None, size: Size) -> list[Figure]:
    with ground(database_url, is_served=True) as place:
        ratio, detail = lists.measure(place, units=size.units, taken=size.taken)
    work = (
        f"next pick list through HTTP, {lists.CLIENTS} clients, against the same transaction in SQL by hand"
    )
    return [Figure(work, ratio, "≥ 0.6", detail)]


def _waves(_database_url: str | None, size: Size) -> list[Figure]:
    measured = waves.measure(capped=size.capped)
    return [Figure(one.work, one.ratio, one.aim, one.detail) for one in measured]


def _readings(database_url: str | None, size: Size) -> list[Figure]:
    with ground(database_url, is_served=True) as place:
        figures = [
            Figure(f"readings in batches of 1,000 ({way}), against the driver", ratio, "≥ 0.5", detail)
            for way, ratio, detail in ingest.measure(place, batches=size.batches)
        ]
    with ground(database_url, is_served=True) as place:
        ratio, detail = beside.measure(place, batches=size.batches)
    work = "readings while pick lists are being served, against alone"
    return [*figures, Figure(work, ratio, "≥ 0.5", detail)]


def _walks(_database_url: str | None, _size: Size) -> list[Figure]:
    return [Figure(one.work, one.value, one.aim, one.detail) for one in walks.measure()]


def _growth(database_url: str | None, size: Size) -> list[Figure]:
    with ground(database_url) as place:
        ratio, detail = growth.measure(place, years=size.years)
    return [Figure("a new reading after years of them, against after a month", ratio, "≤ 1.2", detail)]


def _outbox(database_url: str | None, _size: Size) -> list[Figure]:
    with ground(database_url) as place:
        ratio, detail = outbox.measure(place)
    work = f"alerts to {outbox.RECEIVERS} receivers while one of them hangs, against all answering"
    return [Figure(work, ratio, "≥ 0.9", detail)]


def _loads(_database_url: str | None, size: Size) -> list[Figure]:
    return [Figure(one.work, one.value, one.aim, one.detail) for one in loads.measure(days=size.planned)]


def _traces(database_url: str | None, size: Size) -> list[Figure]:
    with ground(database_url) as place:
        measured = traces.measure(place, events=size.events)
    return [Figure(one.work, one.ratio, one.aim, one.detail) for one in measured]


def _recalls(database_url: str | None, size: Size) -> list[Figure]:
    measured = []
    for events in (size.events // 10, size.events):
        with ground(database_url) as place:
            lots = recalls.lots_called(size.events // 10)
            measured.append(recalls.measure(place, events=events, lots=lots))
    few, many = measured
    return [
        Figure(
            "recall drill: seconds to the complete list of customers",
            many.seconds,
            "≤ 5 at 10,000,000",
            many.told,
        ),
        Figure(
            "the same list, against in a ledger of a tenth", many.seconds / few.seconds, "≤ 1.5", few.told
        ),
    ]


def _pages(_database_url: str | None, _size: Size) -> list[Figure]:
    return [Figure(one.work, one.ratio, one.aim, one.detail) for one in pages.measure()]


_MEASURES: dict[Part, Callable[[str | None, Size], list[Figure]]] = {
    Part.LIFE: _life,
    Part.LISTS: _lists,
    Part.WAVES: _waves,
    Part.READINGS: _readings,
    Part.WALKS: _walks,
    Part.GROWTH: _growth,
    Part.OUTBOX: _outbox,
    Part.LOADS: _loads,
    Part.TRACES: _traces,
    Part.RECALLS: _recalls,
    Part.PAGES: _pages,
}
