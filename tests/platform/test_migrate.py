"""The migrations make exactly the tables the code describes, on both databases, and can be taken back."""

from datetime import UTC, datetime, timedelta

import pytest
from alembic import command
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

import rimekeep.main  # noqa: F401 - every feature's tables
from rimekeep.alerts.jobs import prepare
from rimekeep.climate.queries import zone_air
from rimekeep.platform import migrate
from rimekeep.platform.database import Database
from rimekeep.shelflife.usecases import refresh_life


def test_migrated_database_has_the_tables_of_the_code(database: Database) -> None:
    assert migrate.difference(database.engine) == []
    assert migrate.is_current(database.engine)


def test_downgrade_leaves_nothing_and_upgrade_comes_back(database: Database) -> None:
    config = migrate._config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
    assert not migrate.is_current(database.engine)
    migrate.upgrade(database.engine)
    assert migrate.difference(database.engine) == []


def test_upgrading_twice_changes_nothing(database: Database) -> None:
    migrate.upgrade(database.engine)
    assert migrate.is_current(database.engine)


def test_what_is_stored_keeps_its_forecasts_and_its_order_of_stops(database: Database) -> None:
    """From the version before and back: a forecast is its own first version, a stop's number its place."""
    config = migrate._config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0011")
    at = "2026-03-10 06:00:00.000000" + ("" if database.settings.is_sqlite else "+00")
    with database.engine.begin() as connection:
        for statement in (
            "INSERT INTO site (id, code, name, time_zone, company_prefix, next_serial, created_at, promises_by)"
            f" VALUES (1, 'N', 'North (invented)', 'UTC', '9521234', 1, '{at}', 'median')",
            "INSERT INTO product (id, site_id, sku, name, package, abv_pct, case_mass_kg, cases_per_layer,"
            " layers_per_pallet, pallet_tare_kg, footprint, carry_min_c, carry_max_c)"
            " VALUES (1, 1, 'P', 'Pale (invented)', 'keg', 5, 40, 6, 2, 25, '800x1200', 1, 8)",
            "INSERT INTO demand_forecast (site_id, product_id, day, cases, given_at)"
            f" VALUES (1, 1, '2026-03-12', 7, '{at}')",
        ):
            connection.execute(text(statement))
    migrate.upgrade(database.engine)
    with database.engine.begin() as connection:
        asked = text("SELECT day, cases, entered_at FROM forecast_version")
        rows = [[str(value)[:10] for value in row] for row in connection.execute(asked)]
        assert rows == [["2026-03-12", "7", "2026-03-10"]]
        config.attributes["connection"] = connection
        command.downgrade(config, "0011")
        assert connection.scalar(text("SELECT cases FROM demand_forecast")) == 7
        command.upgrade(config, "head")
        assert connection.scalar(text("SELECT count(*) FROM forecast_version")) == 1


def test_a_store_of_the_version_before_goes_on(database: Database) -> None:
    """What 0.1.0 held: a room with a sensor, readings, a rule, an excursion, a pallet with its life."""
    config = migrate._config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0004")
    at = "2026-03-10 06:00:00.000000" + ("" if database.settings.is_sqlite else "+00")
    first_ms = 1_773_122_400_000
    with database.engine.begin() as connection:
        for statement in (
            "INSERT INTO site (id, code, name, time_zone, company_prefix, next_serial, created_at)"
            f" VALUES (1, 'N', 'North (invented)', 'UTC', '9521234', 1, '{at}')",
            "INSERT INTO zone (id, site_id, code, name, kind, planned_c) VALUES (1, 1, 'COLD', 'Cold', 'store', 4)",
            "INSERT INTO sensor (id, site_id, zone_id, code, interval_s, error_c, rank, is_active, last_at_ms)"
            f" VALUES (1, 1, 1, 's', 600, 0.5, 1, true, {first_ms + 600_000})",
            f"INSERT INTO reading VALUES (1, 1, {first_ms}, 4.0, {first_ms}), (1, 1, {first_ms + 600_000}, 5.5, {first_ms})",
            "INSERT INTO excursion_rule (id, site_id, zone_id, name, side, limit_c, kind, allowed_s, severity,"
            " holds_stock, is_active, counts_from_at)"
            f" VALUES (1, 1, 1, 'warm', 'above', 8, 'single', 60, 'critical', false, true, '{at}')",
            "INSERT INTO excursion (id, site_id, zone_id, kind, rule_id, severity, started_at, alarm_at, ended_at,"
            f" detected_at) VALUES (1, 1, 1, 'too_warm', 1, 'critical', '{at}', '{at}', '{at}', '{at}')",
            "INSERT INTO product (id, site_id, sku, name, package, abv_pct, case_mass_kg, cases_per_layer,"
            " layers_per_pallet, pallet_tare_kg, footprint, carry_min_c, carry_max_c)"
            " VALUES (1, 1, 'P', 'Pale (invented)', 'keg', 5, 40, 6, 2, 25, '800x1200', 1, 8)",
            "INSERT INTO lot (id, site_id, product_id, code, packaged_at, best_before_on, cases_made, qa_state,"
            f" qa_reason) VALUES (1, 1, 1, 'L', '{at}', '2026-12-01', 12, 'released', '')",
            "INSERT INTO unit (id, site_id, sscc, zone_id, state, qa_state, qa_reason, is_opened, received_at)"
            f" VALUES (1, 1, '395212340000000015', 1, 'in_store', 'released', '', false, '{at}')",
            "INSERT INTO unit_content (id, site_id, unit_id, lot_id, cases, reserved_cases) VALUES (1, 1, 1, 1, 12, 0)",
            f"INSERT INTO stay (site_id, unit_id, zone_id, entered_at) VALUES (1, 1, 1, '{at}')",
            "INSERT INTO life (content_id, site_id, as_of_at, expires_at, limited_by, used, bridged_s)"
            f" VALUES (1, 1, '{at}', '{at}', 'best before', '{{}}', 0)",
        ):
            connection.execute(text(statement))
    migrate.upgrade(database.engine)
    assert migrate.difference(database.engine) == []
    now = datetime(2026, 3, 10, 7, 0, tzinfo=UTC)
    with database.transaction() as session:
        assert refresh_life(session, now, 1).looked_at == 1
        assert zone_air(session, 1, 1, now - timedelta(hours=1), now).temp_c[[0, -1]].tolist() == [4.0, 5.5]
        guard, place, told = (
            session.scalar(text(statement))
            for statement in (
                "SELECT guard_c FROM excursion_rule",
                "SELECT zone_id FROM sensor_place",
                "SELECT count(*) FROM excursion WHERE is_end_told",
            )
        )
    assert (guard, place, told) == (0.0, 1, 1)
    with database.transaction() as session, pytest.raises(IntegrityError):
        session.execute(text("UPDATE excursion SET kind = 'nonsense'"))


def test_receivers_of_the_version_before_go_on_where_they_stood(database: Database) -> None:
    """One had taken two of three notices: the third is sorted and due; taken back, it is still to be sent."""
    config = migrate._config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0021")
    at = datetime(2026, 3, 10, 6, tzinfo=UTC)
    stored = "2026-03-10 06:00:00.000000" + ("" if database.settings.is_sqlite else "+00")
    with database.engine.begin() as connection:
        for statement in (
            "INSERT INTO site (id, code, name, time_zone, company_prefix, next_serial, created_at)"
            f" VALUES (1, 'N', 'North (invented)', 'UTC', '9521234', 1, '{stored}')",
            f"INSERT INTO site_head VALUES (1, 0, '{'0' * 64}', 3)",
            *(
                "INSERT INTO outbox_message (site_id, seq, message_id, kind, at, data)"
                f" VALUES (1, {seq}, 'm{seq}', 'orders.short', '{stored}', '{{}}')"
                for seq in (1, 2, 3)
            ),
            "INSERT INTO subscription (id, site_id, url, secret, kinds, is_active, delivered_seq, attempts)"
            " VALUES (1, 1, 'https://alerts.example/', 'whsec_AAAA', '[]', true, 2, 0)",
        ):
            connection.execute(text(statement))
    migrate.upgrade(database.engine)
    assert [one[0] for one in prepare(database, at)] == [1]
    with database.engine.begin() as connection:
        assert connection.execute(text("SELECT message_id FROM letter")).all() == [("m3",)]
        assert connection.execute(text("SELECT seq FROM alert_notice")).all() == [(3,)]
        config.attributes["connection"] = connection
        command.downgrade(config, "0021")
        assert connection.scalar(text("SELECT delivered_seq FROM subscription")) == 2


def test_later_trips_of_a_vehicle_become_plans_of_their_own_on_the_way_back(database: Database) -> None:
    """Two trips of one vehicle by one plan, each once; the version before knows one a plan."""
    at = "2026-03-10 06:00:00.000000" + ("" if database.settings.is_sqlite else "+00")
    trip = (
        "INSERT INTO trip (id, site_id, plan_id, vehicle_id, trip_no, truck_no, setpoint_min_c, setpoint_max_c,"
        " axle_table, road, cold) VALUES ({0}, 1, 1, 1, {1}, 0, 2, 6, '[]', '{{}}', '{{}}')"
    )
    with database.engine.begin() as connection:
        for statement in (
            "INSERT INTO site (id, code, name, time_zone, company_prefix, next_serial, created_at, promises_by)"
            f" VALUES (1, 'N', 'North (invented)', 'UTC', '9521234', 1, '{at}', 'median')",
            "INSERT INTO zone (id, site_id, code, name, kind, planned_c) VALUES (1, 1, 'T1', 'T1', 'vehicle', 4)",
            "INSERT INTO vehicle (id, site_id, code, name, zone_id, truck, is_active)"
            " VALUES (1, 1, 'T1', 'Truck (invented)', 1, '{}', true)",
            "INSERT INTO load_plan (site_id, ship_on, state, status, lower_bound, visits, request, reasons, made_at)"
            f" VALUES (1, '2026-03-10', 'confirmed', 'optimal', 2, 2, '{{}}', '[]', '{at}')",
            trip.format(1, 1),
            trip.format(2, 2),
        ):
            connection.execute(text(statement))
    with database.engine.connect() as connection, pytest.raises(IntegrityError):
        connection.execute(text(trip.format(3, 2)))
    config = migrate._config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0017")
    with database.engine.connect() as connection:
        rows = connection.execute(text("SELECT plan_id, vehicle_id FROM trip ORDER BY id")).all()
        assert [tuple(row) for row in rows] == [(1, 1), (2, 1)]
        states = connection.scalars(text("SELECT state FROM load_plan ORDER BY id")).all()
        assert states == ["confirmed", "confirmed"]
        with pytest.raises(IntegrityError):
            connection.execute(text("UPDATE trip SET plan_id = 1"))
    migrate.upgrade(database.engine)
    with database.engine.connect() as connection:
        if database.settings.is_sqlite:
            assert connection.scalar(text("PRAGMA integrity_check")) == "ok"
        connection.execute(text("UPDATE trip SET plan_id = 1, trip_no = id"))
        with pytest.raises(IntegrityError):
            connection.execute(text("UPDATE trip SET trip_no = 1"))
