"""Figures of speed, as ratios measured in one run on one machine."""

import json
import os
import platform
from dataclasses import asdict, dataclass
from typing import Annotated

import typer
from rich.table import Table

from rimekeep.cli.bench import ingest, life, lists
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
    units: Annotated[int, typer.Option(min=100, help="Units for the life figure.")] = 2000,
    days: Annotated[int, typer.Option(min=2, help="Days of ten-minute readings for the life figure.")] = 60,
    batches: Annotated[int, typer.Option(min=5, help="Batches of 1,000 readings to take in.")] = 60,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print the first figures: life refresh, ingest, next pick list."""
    figures = []
    with ground(database_url) as place:
        err.print(f"measuring on {place.kind} …")
        ratio, detail = life.measure(place, units=units, days=days)
        figures.append(
            Figure(
                "life of every unit, against each integrated by itself with NumPy", ratio, "≥ 1000", detail
            )
        )
        ratio, detail = lists.measure(place)
        figures.append(
            Figure("next pick list, against the same transaction in hand-written SQL", ratio, "≥ 0.6", detail)
        )
    with ground(database_url, is_served=True) as place:
        ratio, detail = ingest.measure(place, batches=batches)
        figures.append(
            Figure("readings through the API in batches of 1,000, against the driver", ratio, "≥ 0.5", detail)
        )
        kind = place.kind
    machine = f"{kind}; {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"
    if as_json:
        print(json.dumps({"machine": machine, "figures": [asdict(figure) for figure in figures]}))
        return
    shown = Table("work", "ratio", "aim", "how it was measured", title=machine)
    for figure in figures:
        shown.add_row(figure.work, f"{figure.ratio:.2f}", figure.aim, figure.detail)
    out.print(shown)
