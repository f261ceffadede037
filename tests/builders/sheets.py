"""A trip as its papers show it, as large and as awkwardly named as asked; all of it invented."""

from __future__ import annotations

from datetime import date

from rimekeep.loading.core.gear import Gear, Law
from rimekeep.loading.core.papers import Head, LoadingPaper, SheetLine
from rimekeep.loading.core.records import PlaceView, TripView
from rimekeep.loading.core.rows import securing
from rimekeep.loading.core.sheet import loading_paper
from rimekeep.loading.core.tipping import Standing
from rimekeep.loading.core.vehicle import Row
from rimekeep.stock.core.gs1 import sscc


def make_paper(
    *,
    pallets: int = 33,
    lanes: int = 3,
    drops: int = 12,
    name: str = "Invented tavern",
    code: str = "C",
    axles: tuple[str, ...] = ("kingpin", "front", "drive", "bogie"),
    is_confirmed: bool = True,
) -> LoadingPaper:
    """A deck filled from the front wall, last drop first; every third unit carries a second lot."""
    places, lines = [], []
    for k in range(pallets):
        row, lane = divmod(k, lanes)
        drop = drops - k * drops // pallets
        places.append(
            PlaceView(
                1, k + 1, sscc(3, "9521234", k + 1), "picked", drop, f"SO-{code}{drop:04d}", drop,
                f"{code}{drop:02d}", f"{name} {drop}", f"{name} street {drop}", row, lane, drop, 500.0 + k, None,
            )
        )  # fmt: skip
        lines += [
            SheetLine(k + 1, f"BEER-{j}", f"{name} beer", f"L{100 + k}{j}", date(2026, 6, 1 + j), 24 + j)
            for j in range(1 + (k % 3 == 0))
        ]
    table = [
        {
            "after_seq": state,
            "after_stop": None if state == 0 else f"{code}{state:02d}",
            "payload_kg": 1000.0 * (drops - state),
            "gross_kg": 12_000.0 + 1000 * (drops - state),
            "axles": [
                {"name": axle, "load_kg": 6000.0 - 100 * state + k, "max_kg": 7500.0}
                for k, axle in enumerate(axles)
            ],
        }
        for state in range(drops + 1)
    ]
    trip = TripView(7, 3, 1, "T1", f"{name} truck", 2, 6, None, None, table, "", tuple(places), ())
    head = Head(
        "NORTH", f"{name} store", 3, 7, date(2026, 3, 17), "T1", trip.vehicle_name, is_confirmed,
        "2026-03-17 06:00",
    )  # fmt: skip
    wide = [lanes] * (-(-pallets // lanes))
    rows = [Row(600.0 + 1200 * k, lanes) for k in range(len(wide))]
    standing = [Standing(place.row, place.lane, place.mass_kg, place.drop) for place in places]
    held = securing(rows, standing, drops=list(range(1, drops + 1)))
    return loading_paper(head, trip, wide, lines, held, (Law.EU, Gear()))
