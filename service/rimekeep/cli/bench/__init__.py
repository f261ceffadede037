"""Figures of speed, as ratios measured in one run on one machine."""

import json
import os
import platform
from dataclasses import asdict, dataclass
from typing import Annotated

import typer
from rich.table import Table

from rimekeep.cli.bench import beside, growth, ingest, life, lists, walks, waves
from rimekeep.cli.bench.ground import ground
from rimekeep.cli.output import err, out


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured ratio."""

    work: str
    ratio: float
    aim: str
    detail: str


def bench(
    database_url: Annotated[
        str | None,
        typer.Option(
            help="An empty PostgreSQL database to measure on; default: SQLite in a temporary folder."
        ),
    ] = None,
    units: Annotated[
        int, typer.Option(min=100, help="Units for the life figures and the next pick list.")
    ] = 100_000,
    days: Annotated[int, typer.Option(min=2, help="Days of ten-minute readings for the life figures.")] = 365,
    batches: Annotated[int, typer.Option(min=5, help="Batches of 1,000 readings to take in.")] = 60,
    taken: Annotated[
        int, typer.Option("--lists", min=lists.CLIENTS, help="Pick lists to take a turn.")
    ] = 512,
    years: Annotated[
        int, typer.Option(min=0, help="Years of readings for the growth figure; 0 leaves it out.")
    ] = 5,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print the first figures: life refresh, ingest, next pick list."""
    figures = []
    with ground(database_url) as place:
        err.print(f"measuring on {place.kind} …")
        few = life.measure(place, units=max(10, units // 100), days=days)
    with ground(database_url) as place:
        many = life.measure(place, units=units, days=days)
    detail = life.told(many, days=days)
    figures += [
        Figure(
            "refresh of life, against each unit integrated by itself", many.refresh_ratio, "≥ 1000", detail
        ),
        Figure("the same from nothing, once", many.anew_ratio, "≥ 1", "as above"),
    ]
    figures += [
        Figure(
            f"one reading {hours} h late, with {many.units} units against {few.units}",
            many.late[hours].seconds / few.late[hours].seconds,
            "≤ 1.5, but for units that change",
            f"{few.late[hours].seconds:.3f} s and {few.late[hours].looked_at} units looked at, "
            f"{many.late[hours].seconds:.3f} s and {many.late[hours].looked_at} units",
        )
        for hours in many.late
    ]
    with ground(database_url, is_served=True) as place:
        err.print("measuring the next pick list …")
        ratio, detail = lists.measure(place, units=units, taken=taken)
        figures.append(
            Figure(
                f"next pick list through HTTP, {lists.CLIENTS} clients, against the same transaction in SQL "
                "by hand",
                ratio,
                "≥ 0.6",
                detail,
            )
        )
    err.print("measuring waves …")
    figures += [Figure(one.work, one.ratio, one.aim, one.detail) for one in waves.measure()]
    with ground(database_url, is_served=True) as place:
        figures += [
            Figure(f"readings in batches of 1,000 ({way}), against the driver", ratio, "≥ 0.5", detail)
            for way, ratio, detail in ingest.measure(place, batches=batches)
        ]
        kind = place.kind
    with ground(database_url, is_served=True) as place:
        ratio, detail = beside.measure(place, batches=batches)
        figures.append(
            Figure("readings while pick lists are being served, against alone", ratio, "≥ 0.5", detail)
        )
    figures += [Figure(one.work, one.value, one.aim, one.detail) for one in walks.measure()]
    if years:
        with ground(database_url) as place:
            ratio, detail = growth.measure(place, years=years)
            figures.append(
                Figure("a new reading after years of them, against after a month", ratio, "≤ 1.2", detail)
            )
    machine = f"{kind}; {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"
    if as_json:
        print(json.dumps({"machine": machine, "figures": [asdict(figure) for figure in figures]}))
        return
    shown = Table("work", "ratio", "aim", "how it was measured", title=machine)
    for figure in figures:
        shown.add_row(figure.work, f"{figure.ratio:.2f}", figure.aim, figure.detail)
    out.print(shown)
