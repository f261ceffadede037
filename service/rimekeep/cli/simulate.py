"""What a period would have brought if stock were taken in another order."""

import json
from dataclasses import asdict
from datetime import date
from enum import StrEnum
from typing import Annotated, Any

import typer
from rich.table import Table

from rimekeep.cli.output import out
from rimekeep.errors import invalid
from rimekeep.picking.core.policies import (
    Comparison,
    Estimate,
    Policy,
    Scenario,
    compare,
    invented_world,
)

TOLD = {
    "waste": "waste, cases",
    "refused": "of it came back",
    "short": "short, cases",
    "delivered": "delivered",
    "life_mean": "life left, days",
    "life_spread": "its spread, days",
}


class Source(StrEnum):
    """What is replayed."""

    INVENTED = "invented"
    DEMO = "demo"
    OWN = "own"


def simulate(
    source: Annotated[
        Source, typer.Option(help="An invented store, the demo's lots and orders, or this database's.")
    ] = Source.INVENTED,
    days: Annotated[
        int | None, typer.Option(min=1, max=3650, help="Days to replay; default 180, or the period's.")
    ] = None,
    replications: Annotated[int, typer.Option(min=2, max=10_000, help="Worlds to draw.")] = 40,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same answer.")] = 1,
    confidence: Annotated[float, typer.Option(min=0.5, max=0.999, help="Of the intervals.")] = 0.95,
    product: Annotated[str | None, typer.Option(help="Only this SKU (own, demo).")] = None,
    site: Annotated[str | None, typer.Option(help="Code of the site; needed when there are several.")] = None,
    start: Annotated[str | None, typer.Option("--from", help="First day of delivery (own, demo).")] = None,
    end: Annotated[str | None, typer.Option("--to", help="Last day of delivery (own, demo).")] = None,
    life_days: Annotated[float, typer.Option(help="Life at the planned temperature (invented).")] = 90.0,
    warm_share: Annotated[float, typer.Option(help="Share of lots that stood warm (invented).")] = 0.3,
    warm_hours: Annotated[float, typer.Option(help="For how long, on average (invented).")] = 36.0,
    warm_c: Annotated[float, typer.Option(help="How warm, on average (invented).")] = 22.0,
    planned_c: Annotated[float, typer.Option(help="Temperature of the room (invented).")] = 4.0,
    daily_cases: Annotated[float, typer.Option(help="Mean demand (invented).")] = 60.0,
    supply_ratio: Annotated[float, typer.Option(help="Supply over demand (invented).")] = 1.03,
    cover_days: Annotated[int, typer.Option(help="Days of supply in store at first (invented).")] = 30,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """
    Compare taking the first in, the freshest, the first expired by label and the first expired by model.

    Waste is what nobody takes any more plus what comes back: cases that reach a customer with less life left
    in truth, by the model, than they ask for. Lots, exposures and demand are the same under every policy.
    """
    draws: dict[str, Any] = {"replications": replications, "seed": seed}
    if source is Source.INVENTED:
        scenario = Scenario(
            days=days or 180,
            life_days=life_days,
            warm_share=warm_share,
            warm_hours=warm_hours,
            warm_c=warm_c,
            planned_c=planned_c,
            daily_cases=daily_cases,
            supply_ratio=supply_ratio,
            cover_days=cover_days,
        )
        world = invented_world(scenario, **draws)
        found = {"invented": compare(world, confidence=confidence)}
        of: dict[str, Any] = asdict(scenario)
    else:
        # The demo and the importers load the whole service, which an invented store has no need of.
        from rimekeep.cli.replay import compare_own, opened

        with opened(source is Source.DEMO) as session:
            period = _day("--from", start), _day("--to", end), days
            found, of = compare_own(session, site, product, *period, draws, confidence)
    if as_json:
        answer = {"source": source.value, **draws, "of": of}
        print(json.dumps({**answer, "products": {sku: asdict(one) for sku, one in found.items()}}))
        return
    for sku, one in found.items():
        _show(sku, one)
    if source is not Source.OWN:
        out.print("Invented data: only directions mean anything.")


def _day(where: str, word: str | None) -> date | None:
    if word is None:
        return None
    try:
        return date.fromisoformat(word)
    except ValueError:
        raise invalid(where, f"{word!r} is not a day.", "Write year-month-day: 2026-03-16.") from None


def _show(name: str, found: Comparison) -> None:
    percent = f"{100 * found.confidence:g} %"
    table = Table(
        "", *TOLD.values(), title=f"{name}: {found.replications} replications, means ± half of {percent}"
    )
    for policy in Policy:
        cells = [_cell(found.measures[policy][name]) for name in TOLD]
        table.add_row(policy.value, *cells)
    out.print(table)
    change = Table("", *TOLD.values(), title=f"difference to {found.baseline.value}, paired")
    for policy, measures in found.differences.items():
        change.add_row(policy.value, *(_cell(measures[name]) for name in TOLD))
    out.print(change)


def _cell(one: Estimate) -> str:
    digits = 0 if abs(one.mean) >= 100 else 1
    return f"{one.mean:.{digits}f} ± {one.high - one.mean:.{digits}f}"
