"""A short day at the invented store, told with the figures the service works out."""

import itertools
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from rich.table import Table
from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Role
from rimekeep.access.queries import site_of
from rimekeep.cli.check import findings
from rimekeep.cli.demo.files import Scenario
from rimekeep.cli.demo.load import Team
from rimekeep.cli.output import out
from rimekeep.excursions.usecases import acknowledge
from rimekeep.loading import queries as loading
from rimekeep.loading.usecases import confirm_plan, depart, load_unit, plan_day
from rimekeep.picking.core.records import ListTask, WaveAnswer
from rimekeep.picking.usecases import Chosen, allocate_orders, confirm_pick, make_pick_lists, take_next_list
from rimekeep.platform.compute import Compute
from rimekeep.platform.database import Database
from rimekeep.stock import queries as stock
from rimekeep.stock.core.states import QaState
from rimekeep.stock.usecases import release_unit
from rimekeep.web.cold.queries import ExcursionRow, excursion_page
from rimekeep.web.queries import EDGES_DAYS, stock_by_life

LEASE_S = 600


def table(*headings: str, numbers: Iterable[int] = ()) -> Table:
    """Return a plain table; columns named by ``numbers`` are set to the right."""
    made = Table(box=None, pad_edge=False, header_style="bold")
    right = set(numbers)
    for place, heading in enumerate(headings):
        made.add_column(heading, justify="right" if place in right else "left")
    return made


def heading(number: int, words: str) -> None:
    """Print a chapter's heading."""
    out.print(f"\n[bold]{number}. {words}[/bold]")


def tell(database: Database, scenario: Scenario, team: Team) -> None:
    """Tell the morning: what is there, what went wrong, what goes first, what goes on which truck."""
    now = scenario.end
    with database.transaction(readonly=True) as session:
        site = site_of(session, team.site_id)
        zone = ZoneInfo(site.time_zone)
        today = now.astimezone(zone).date()
        out.print(
            f"[bold]{site.name}, {now.astimezone(zone):%A %d %B %Y %H:%M}[/bold] (all of it is invented)"
        )
        _stock(session, team, now, today)
        _excursions(session, team, zone)
    with database.transaction() as session:
        _decide(session, team, now)
    with database.transaction() as session:
        wave = allocate_orders(session, now, team[Role.LEAD], Chosen(ship_on=today))
    _allocation(wave)
    with database.transaction() as session:
        lists = make_pick_lists(
            session, now, team[Role.LEAD], order_ids=sorted({line.order_id for line in wave.lines})
        )
    _pick(database, team, now, lists)
    _load(database, team, now, today)
    with database.transaction(readonly=True) as session:
        wrong = list(findings(session))
    heading(6, "Does the record hold together?")
    out.print("Ledger, stays and reservations agree." if not wrong else "\n".join(wrong))


def _stock(session: Session, team: Team, now: datetime, today: date) -> None:
    heading(1, "Stock by the life it has really left (cases)")
    edges = [f"<{EDGES_DAYS[0]} d", *(f"{a}-{b} d" for a, b in itertools.pairwise(EDGES_DAYS))]
    shown = table(
        "product", *edges, f">{EDGES_DAYS[-1]} d", "on hold", "ordered", "first end", numbers=range(1, 8)
    )
    for product in stock_by_life(session, team.site_id, now, today + timedelta(days=1)):
        first = "–" if product.ends_first_at is None else f"{product.ends_first_at:%d %b %Y}"
        shown.add_row(
            product.sku,
            *(str(n or "·") for n in product.by_life),
            str(product.held),
            str(product.wanted),
            first,
        )
    out.print(shown)


def _excursions(session: Session, team: Team, zone: ZoneInfo) -> None:
    heading(2, "When the cold failed, and what it cost")
    shown = table("room", "what", "from", "until", "peak", "units there", "most life lost", numbers=(4, 5, 6))
    for found in _to_decide(session, team):
        shown.add_row(
            found.zone,
            found.kind.replace("_", " "),
            f"{found.started_at.astimezone(zone):%d %b %H:%M}",
            f"{found.ended_at.astimezone(zone):%d %b %H:%M}" if found.ended_at else "still",
            f"{found.peak_c:.1f} °C" if found.peak_c is not None else "–",
            str(found.units),
            f"{found.worst_days or 0.0:.2f} days",
        )
    out.print(shown)


def _to_decide(session: Session, team: Team) -> list[ExcursionRow]:
    return sorted(excursion_page(session, team.site_id, show="unseen"), key=lambda one: one.started_at)


def _decide(session: Session, team: Team, now: datetime) -> None:
    # The dead logger stays open: somebody has to go and look.
    seen = [found for found in _to_decide(session, team) if found.units]
    for found in seen:
        acknowledge(session, now, team[Role.QA], excursion_id=found.id, note="stock tasted, see the release")
    standing = stock.pickable(session, team.site_id, None)
    held = sorted({cases.unit_id for cases in standing if cases.unit_qa_state == QaState.HELD})
    for unit_id in held:
        release_unit(
            session,
            now,
            team[Role.QA],
            unit_id=unit_id,
            reason="life lost is small; compressor repaired and tested",
        )
    out.print(f"QA acknowledged {len(seen)} and released {len(held)} units that were on hold by rule.")


def _allocation(wave: WaveAnswer) -> None:
    heading(3, "What goes first")
    out.print(
        f"{wave.served_cases} of {wave.wanted_cases} cases served; within the customers' rules no allocation "
        f"serves more than {wave.bound_cases}."
    )
    shown = table(
        "order", "customer", "product", "cases", "from lot (label, last day of life left)", numbers=(3,)
    )
    for line in wave.lines[:12]:
        lots = {(taken.lot_code, taken.best_before_on, taken.expires_on) for taken in line.taken}
        words = "; ".join(
            f"{lot} ({label:%d %b}, {left:%d %b})" for lot, label, left in sorted(lots, key=lambda x: x[2])
        )
        shown.add_row(line.order_code, line.customer_code, line.sku, str(line.cases), words or "–")
    out.print(shown)
    for line in wave.lines:
        if line.short is not None:
            out.print(
                f"short: {line.order_code} {line.sku}, {line.short.cases} cases: {line.short.text}",
                markup=False,
            )


def _pick(database: Database, team: Team, now: datetime, lists: list[ListTask]) -> None:
    heading(4, "A pick list along the shortest walk")
    longest = max(lists, key=lambda task: len(task.picks))
    out.print(
        f"{len(lists)} lists. List {longest.id} for {longest.customer_name} in {longest.zone_code}, "
        f"{longest.walk_m:.0f} m from the dock and back:"
    )
    shown = table("stop", "bay", "product", "lot", "SSCC", "cases", "how", numbers=(0, 5))
    for pick in longest.picks:
        shown.add_row(
            str(pick.stop),
            pick.bay_code or "–",
            pick.sku,
            pick.lot_code,
            pick.sscc,
            str(pick.cases),
            pick.how,
        )
    out.print(shown)
    picked = 0
    device = team[Role.PICKER]
    while True:
        with database.transaction() as session:
            task = take_next_list(session, now, device, lease_s=LEASE_S)
        if task is None:
            break
        for pick in task.picks:
            with database.transaction() as session:
                code = (
                    stock.bay_by_code(session, team.site_id, pick.bay_code).check_code
                    if pick.bay_code
                    else None
                )
                confirm_pick(
                    session,
                    now,
                    device,
                    pick_id=pick.id,
                    scan=pick.sscc,
                    bay_check_code=code,
                    cases=pick.cases,
                    lease_s=LEASE_S,
                )
            picked += 1
    out.print(f"The handheld confirmed {picked} picks by bay check code and SSCC.")


def _load(database: Database, team: Team, now: datetime, today: date) -> None:
    heading(5, "Trucks legal on every axle after every drop")
    with database.transaction() as session:
        plan = plan_day(session, now, team[Role.DISPATCHER], Compute(0), ship_on=today)
        view = loading.plan_view(session, plan)
    out.print(
        f"{view.status}: {len(view.trips)} trucks, {view.visits} drops; "
        f"at least {view.lower_bound} trucks are needed."
    )
    for reason in view.reasons:
        out.print(reason, markup=False)
    for trip in view.trips:
        out.print(f"\n{trip.vehicle_name}", style="bold")
        out.print(trip.drawing, markup=False)
    out.print(
        "\nChock the wheels and set the dock lock before a forklift drives in; "
        "nobody stands between a pallet and a wall. "
        "Weigh before the road: scale tickets decide, not this sheet."
    )
    if not view.trips:
        return
    with database.transaction() as session:
        confirm_plan(session, now, team[Role.DISPATCHER], plan.id)
    first = view.trips[0]
    with database.transaction() as session:
        due = loading.next_spots(session, first.id)
        while due:
            due = load_unit(session, now, team[Role.PICKER], trip_id=first.id, scan=due[0].sscc)
        depart(session, now, team[Role.DISPATCHER], trip_id=first.id)
    out.print(f"{first.vehicle_name} was loaded by scan, last drop first, and left.")
