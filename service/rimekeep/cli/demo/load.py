"""Put the invented scenario into an empty database and run its two weeks through."""

import math
from collections import defaultdict
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller, PrincipalKind, Role
from rimekeep.access.usecases import add_principal, open_new_site
from rimekeep.cli.demo.files import ZONE, Scenario
from rimekeep.cli.output import progress
from rimekeep.climate.usecases import take_readings
from rimekeep.errors import Fault, Invalid
from rimekeep.excursions.usecases import add_rule, check_site
from rimekeep.imports.usecases import KINDS
from rimekeep.loading.usecases import register_vehicle
from rimekeep.orders import queries as orders
from rimekeep.orders.usecases import note_delivered
from rimekeep.platform.csvfile import Column, day, instant, text
from rimekeep.platform.database import Database
from rimekeep.shelflife.usecases import add_profile, propose_calibration, refresh_life
from rimekeep.stock import queries as stock
from rimekeep.stock.usecases import move_unit

MOVE_COLUMNS = (Column("sscc", text), Column("at", instant), Column("zone", text), Column("bay", text, False))
LAST_COLUMNS = (Column("customer", text), Column("sku", text), Column("printed_on", day))
# Product and series of the trial that waits for QA's word.
TRIAL = ("LAGER-B24", "WINTER-TRIAL")
PEOPLE = (
    ("demo lead", PrincipalKind.PERSON, Role.LEAD),
    ("demo QA", PrincipalKind.PERSON, Role.QA),
    ("demo dispatcher", PrincipalKind.PERSON, Role.DISPATCHER),
    ("handheld 1", PrincipalKind.DEVICE, Role.PICKER),
    ("gateway 1", PrincipalKind.DEVICE, Role.GATEWAY),
)


class Team:
    """The people and devices of the demo, with their tokens."""

    def __init__(self, session: Session, now: datetime) -> None:
        """Open the site and add everybody."""
        site, token = open_new_site(
            session,
            now,
            code="NORTH",
            name="Hoarfrost Hill cold store (invented)",
            time_zone=str(ZONE),
            company_prefix="9521234",
        )
        self.site_id = site.id
        self.tokens = {"admin": token}
        self.callers: dict[Role, Caller] = {}
        for name, kind, role in PEOPLE:
            added, token = add_principal(session, now, site.id, kind=kind, name=name, roles=[role])
            self.tokens[f"{role} ({name})"] = token
            self.callers[role] = Caller(added.id, site.id, name, frozenset([role]))

    def __getitem__(self, role: Role) -> Caller:
        """Return who has ``role``."""
        return self.callers[role]


def load(database: Database, scenario: Scenario) -> Team:
    """Load everything up to the morning the scenario ends; return who works there."""
    with database.transaction() as session:
        team = Team(session, scenario.start - timedelta(days=40))
        _master_data(session, scenario, team)
    with database.transaction() as session:
        _stock(session, scenario, team)
    _two_weeks(database, scenario, team)
    with database.transaction() as session:
        refresh_life(session, scenario.end, team.site_id)
        _demand(session, scenario, team)
    return team


def _take(session: Session, scenario: Scenario, team: Team, kind: str) -> None:
    importer = KINDS[kind]
    report = importer.run(
        session,
        scenario.end,
        # Only QA's lots are released.
        team[Role.QA if kind == "lots" else Role.LEAD],
        scenario.rows(f"{kind}.csv", tuple(importer.columns)),
        lambda *_: None,
    )
    if report.faults:
        faults = tuple(Fault(f"{kind}.csv line {f.line} {f.column}", f.detail, f.mend) for f in report.faults)
        raise Invalid("bad-rows", "The demo's files cannot be used.", faults)


def _master_data(session: Session, scenario: Scenario, team: Team) -> None:
    for kind in ("products", "zones", "bays", "sensors", "customers"):
        _take(session, scenario, team, kind)
    begin = scenario.start
    for profile in scenario.document("profiles.json"):
        product = stock.product_by_sku(session, team.site_id, profile.pop("sku"))
        add_profile(session, begin, team[Role.QA], product_id=product.id, **profile)
    _take(session, scenario, team, "forced-ageing")
    propose_calibration(
        session,
        begin,
        team[Role.QA],
        product_id=stock.product_by_sku(session, team.site_id, TRIAL[0]).id,
        route="flavour staling",
        series=TRIAL[1],
        direction="falls",
        limit=4.0,
        reference_c=20.0,
        source="the demo's forced ageing, invented",
    )
    for rule in scenario.document("rules.json"):
        zone = stock.zone_by_code(session, team.site_id, rule.pop("zone"))
        add_rule(session, begin, team[Role.QA], zone_id=zone.id, **rule)
    for vehicle in scenario.document("vehicles.json"):
        register_vehicle(session, begin, team[Role.DISPATCHER], **vehicle)


def _stock(session: Session, scenario: Scenario, team: Team) -> None:
    for kind in ("lots", "units"):
        _take(session, scenario, team, kind)
    for row in scenario.rows("moves.csv", MOVE_COLUMNS).rows:
        unit = stock.unit_by_sscc(session, team.site_id, str(row.values["sscc"]))
        zone = stock.zone_by_code(session, team.site_id, str(row.values["zone"]))
        bay = stock.bay_by_code(session, team.site_id, str(row.values["bay"]))
        at = row.values["at"]
        assert isinstance(at, datetime)
        move_unit(
            session,
            scenario.end,
            team[Role.LEAD],
            unit_id=unit.id,
            from_zone_id=unit.zone_id,
            zone_id=zone.id,
            bay_id=bay.id,
            at=at,
        )


def _two_weeks(database: Database, scenario: Scenario, team: Team) -> None:
    by_day: dict[int, list[tuple[str, datetime, float]]] = defaultdict(list)
    for sensor, at, temp_c in scenario.readings(tuple(KINDS["readings"].columns)):
        # The reading of 05:00 closes the day it ends.
        by_day[max(0, math.ceil((at - scenario.start) / timedelta(days=1)) - 1)].append((sensor, at, temp_c))
    with progress() as bar:
        for number in bar.track(sorted(by_day), description="two weeks of readings"):
            evening = min(scenario.start + timedelta(days=number + 1), scenario.end)
            with database.transaction() as session:
                take_readings(session, evening, team.site_id, by_day[number])
            with database.transaction() as session:
                check_site(session, evening, team.site_id)


def _demand(session: Session, scenario: Scenario, team: Team) -> None:
    _take(session, scenario, team, "orders")
    known_customers = orders.customers_by_code(session, team.site_id)
    for row in scenario.rows("last_delivered.csv", LAST_COLUMNS).rows:
        customer = known_customers[str(row.values["customer"])]
        product = stock.product_by_sku(session, team.site_id, str(row.values["sku"]))
        printed_on = row.values["printed_on"]
        assert isinstance(printed_on, date)
        note_delivered(session, customer.id, product.id, printed_on)
