"""Refreshing the life of every unit against integrating each unit's own history by itself."""

import time
from datetime import datetime, timedelta

import numpy as np

from rimekeep.cli.bench.ground import Ground, bench_product
from rimekeep.climate.usecases import register_sensor, take_readings
from rimekeep.shelflife import queries as shelflife
from rimekeep.shelflife.core.exposure import Route, life_used
from rimekeep.shelflife.usecases import add_profile, refresh_life
from rimekeep.stock import queries as stock
from rimekeep.stock.core.gs1 import sscc
from rimekeep.stock.usecases import receive_unit, register_lot, register_zone

ZONES = 12
SAMPLE = 60
ROUTE = {"name": "flavour", "reference_c": 20.0, "reference_life_days": 40.0, "activation_kj_mol": 101.8}
TAU_H = 20.0
Floats = np.ndarray[tuple[int], np.dtype[np.float64]]


def measure(place: Ground, *, units: int, days: int) -> tuple[float, str]:
    """Return the ratio of times, and how it came about; the two must agree to 1e-9."""
    begin = place.now - timedelta(days=days)
    hours = np.arange(days * 144 + 1) / 6.0
    air = [4.0 + 0.3 * zone + np.sin(hours / 24 * 2 * np.pi + zone) for zone in range(ZONES)]
    contents = _fill(place, units, days, air)
    started = time.perf_counter()
    with place.database.transaction() as session:
        refresh_life(session, place.now, place.caller.site_id)
    refreshed = time.perf_counter() - started
    sample = list(contents)[:: max(1, units // SAMPLE)][:SAMPLE]
    route = Route(**ROUTE)  # type: ignore[arg-type]
    worst = 0.0
    with place.database.transaction(readonly=True) as session:
        held = shelflife.life(session, place.caller.site_id, sample)
    started = time.perf_counter()
    for content_id in sample:
        zone, received = contents[content_id]
        first = (received - begin) / timedelta(hours=1)
        # From the unit's arrival on: its own start, then the zone's readings up to now.
        times = np.concatenate(([first], hours[hours > first]))
        temps = np.interp(times, hours, air[zone])
        used = life_used(times, temps, routes=[route], tau_h=TAU_H)["flavour"]
        worst = max(worst, abs(used - held[content_id].used["flavour"]) / used)
    each = (time.perf_counter() - started) / len(sample)
    if worst > 1e-9:
        raise RuntimeError(f"the two ways disagree by {worst:.1e}")
    ratio = each * units / refreshed
    return ratio, (
        f"{units} units, {ZONES} zones, {days} days of ten-minute readings: {refreshed:.2f} s for all; "
        f"{each * 1e3:.2f} ms each by itself (mean of {len(sample)}); agree to {worst:.0e}"
    )


def _fill(place: Ground, units: int, days: int, air: list[Floats]) -> dict[int, tuple[int, datetime]]:
    begin = place.now - timedelta(days=days)
    arrivals: dict[int, tuple[int, datetime]] = {}
    with place.database.transaction() as session:
        product_id = bench_product(session, place, begin, sku="BENCH")
        add_profile(
            session,
            begin,
            place.caller,
            product_id=product_id,
            tau_h=TAU_H,
            planned_c=4.0,
            freezing_minutes=60,
            routes=[ROUTE],
            reason="bench",
        )
        lot = register_lot(
            session,
            place.now,
            place.caller,
            product_id=product_id,
            code="L",
            packaged_at=begin - timedelta(hours=1),
            best_before_on=(place.now + timedelta(days=900)).date(),
            released=True,
        )
        zones = [
            register_zone(
                session, begin, place.caller, code=f"Z{n}", name=f"Zone {n}", kind="store", planned_c=4.0
            )
            for n in range(ZONES)
        ]
        for number, zone in enumerate(zones):
            register_sensor(session, begin, place.caller, code=f"z{number}", zone_id=zone.id, interval_s=600)
    for number in range(ZONES):
        said = [
            (f"z{number}", begin + timedelta(minutes=10 * k), float(temp))
            for k, temp in enumerate(air[number])
        ]
        for start in range(0, len(said), 10_000):
            with place.database.transaction() as session:
                take_readings(session, place.now, place.caller.site_id, said[start : start + 10_000])
    with place.database.transaction() as session:
        for number in range(units):
            # Pallets come in together: sixty arrivals spread over the first half of the time.
            received = begin + timedelta(hours=round(days * 12 * (number % 60) / 60))
            zone = zones[number % ZONES]
            made = receive_unit(
                session,
                place.now,
                place.caller,
                sscc=sscc(4, "9521234", number),
                zone_id=zone.id,
                bay_id=None,
                contents=[(lot.id, 96)],
                received_at=received,
            )
            arrivals[made.id] = (number % ZONES, received)
    with place.database.transaction(readonly=True) as session:
        return {held.id: arrivals[held.unit_id] for held in stock.contents(session, place.caller.site_id)}
