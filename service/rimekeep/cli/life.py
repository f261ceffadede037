"""Life used by one temperature history, from a file: for a logger read out by hand."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from rich.table import Table

from rimekeep.cli.output import complain, out
from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.platform.csvfile import Column, decimal, instant, read_rows
from rimekeep.shelflife.core.exposure import Route, life_used, remaining_days
from rimekeep.shelflife.core.kinetics import mean_kinetic_temperature
from rimekeep.shelflife.core.thermal import core_temperature

COLUMNS = (Column("at", instant), Column("temp_c", decimal))


def life(
    file: Annotated[Path, typer.Argument(help="CSV with the columns at and temp_c, in any order of time.")],
    life_days: Annotated[
        float, typer.Option(min=0.001, help="Life in days if always kept at --reference-c.")
    ],
    activation_kj_mol: Annotated[float, typer.Option(min=0, help="Activation energy of the ageing route.")],
    reference_c: Annotated[
        float, typer.Option(min=-10, max=60, help="Temperature --life-days holds at.")
    ] = 20.0,
    tau_h: Annotated[float, typer.Option(min=0, help="Hours the pack's core lags the air.")] = 0.0,
    start_c: Annotated[
        float | None, typer.Option(help="Core at the first reading; default: as the air.")
    ] = None,
    planned_c: Annotated[
        float, typer.Option(min=-10, max=60, help="Kept at from the last reading on.")
    ] = 4.0,
    encoding: Annotated[str | None, typer.Option(help="Only for files not in UTF-8.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Tell how much life a temperature history has used, and how long the rest lasts."""
    try:
        data = file.read_bytes()
    except OSError as error:
        raise invalid("FILE", f"{file}: {error.strerror}.", "Give the path of a CSV file.") from None
    rows = read_rows(data, COLUMNS, encoding=encoding)
    if rows.faults:
        faults = tuple(Fault(f"line {f.line}, {f.column}", f.detail, f.mend) for f in rows.faults)
        complain(Invalid("bad-rows", "The file holds rows that cannot be read.", faults))
        raise typer.Exit(2)
    if len(rows.rows) < 2:
        raise invalid("FILE", f"{file} holds {len(rows.rows)} readings.", "A history needs at least two.")
    stamps = [row.values["at"] for row in rows.rows]
    seconds = np.array([at.timestamp() for at in stamps if isinstance(at, datetime)])
    temps = np.array([row.values["temp_c"] for row in rows.rows], dtype=float)
    order = np.argsort(seconds, kind="stable")
    hours, temps = (seconds[order] - seconds.min()) / 3600, temps[order]
    route = Route("ageing", reference_c, life_days, activation_kj_mol)
    used = life_used(hours, temps, routes=[route], tau_h=tau_h, start_c=start_c)
    left, _ = remaining_days(used, [route], planned_c)
    end = datetime.fromtimestamp(seconds.max(), UTC)
    core = core_temperature(hours, temps, tau_h=tau_h, start_c=start_c, at_h=float(hours[-1]))
    answer = {
        "readings": len(hours),
        "from": datetime.fromtimestamp(seconds.min(), UTC).isoformat(),
        "until": end.isoformat(),
        "min_c": float(temps.min()),
        "max_c": float(temps.max()),
        "mean_kinetic_c": mean_kinetic_temperature(hours, temps, activation_kj_mol=activation_kj_mol),
        "core_c": float(np.asarray(core).reshape(-1)[0]),
        "life_used": used["ageing"],
        "days_left": left,
        "planned_c": planned_c,
    }
    if as_json:
        print(json.dumps(answer))
        return
    table = Table(show_header=False)
    for name, value in answer.items():
        table.add_row(name, f"{value:.4g}" if isinstance(value, float) else str(value))
    out.print(table)
