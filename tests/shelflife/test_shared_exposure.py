"""
Whatever happens, and in whatever order it becomes known, shared sums give the life one batch integration gives.

The reference is `queries.aged`, which reads everything anew and is itself held against an ODE solver in
test_refresh.py.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from builders.api import Api
from builders.cold import make_sensor, say, series
from builders.stock import make_lot, make_product, make_unit, make_zone
from rimekeep.access.core.roles import Caller
from rimekeep.climate import usecases as climate
from rimekeep.climate.core.corrections import Wish
from rimekeep.platform.database import Database
from rimekeep.shelflife import queries, usecases
from rimekeep.shelflife.tables import Life, LifeState
from rimekeep.stock import usecases as stock
from rimekeep.stock.tables import Lot, Unit, UnitContent, Zone

END = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
START = END - timedelta(days=40)
ROUTES: list[dict[str, Any]] = [
    {"name": "staling", "reference_c": 20, "reference_life_days": 120, "activation_kj_mol": 101.8,
     "life_sd_days": 12, "parameter_sd": 6, "correlation": 0.2, "source": "invented"},
    {"form": "q10", "name": "haze", "reference_c": 20, "reference_life_days": 150, "q10": 2.4,
     "life_sd_days": 20, "parameter_sd": 0.3, "source": "invented"},
    {"form": "square root", "name": "growth", "reference_c": 12, "reference_life_days": 60, "t_min_c": 3.5,
     "source": "invented"},
]  # fmt: skip
TAUS_H = (0.0, 4.0, 19.67)


class Story:
    """A store in which everything happens at random, and is heard of at random."""

    def __init__(self, database: Database, caller: Caller, seed: int) -> None:
        self.database, self.caller, self.rng = database, caller, np.random.default_rng(seed)
        with database.transaction() as session:
            self.zones = [
                make_zone(session, START, caller, planned_c=planned).id for planned in (2.0, 4.0, 12.0, 4.0)
            ]
            self.lots = []
            for number, tau_h in enumerate(TAUS_H):
                product = make_product(session, START, caller)
                usecases.add_profile(
                    session,
                    START,
                    caller,
                    product_id=product.id,
                    tau_h=tau_h,
                    planned_c=3.0,
                    routes=ROUTES[: 1 + number],
                    reason="invented",
                )
                self.lots.append(
                    make_lot(session, START, caller, product, best_before_on=date(2031, 1, 1)).id
                )
            # The last room has no sensor at first; the first has two.
            self.said: list[tuple[str, datetime, float]] = []
            for number, zone_id in enumerate([*self.zones[:3], self.zones[0]]):
                zone = session.get(Zone, zone_id)
                assert zone is not None
                sensor = make_sensor(session, START, caller, zone, code=f"s{number}", rank=1 + number // 3)
                self.said += self._course(sensor.code, zone.planned_c)

    def _course(self, code: str, base_c: float) -> list[tuple[str, datetime, float]]:
        rng = self.rng
        bump = rng.uniform(0, 900)

        def air(hours: float) -> float:
            warm = 9.0 if bump < hours < bump + 5 else 0.0
            return round(base_c + np.sin(hours / 3.8) + warm + rng.normal(0, 0.2), 2)

        whole = series(code, START, END, air)
        # Some of it was never heard: gaps of up to two days.
        for _ in range(3):
            start = int(rng.integers(0, len(whole)))
            del whole[start : start + int(rng.integers(1, 280))]
        return whole

    def at(self, low: float, high: float) -> datetime:
        """An instant between two shares of the time."""
        return START + (END - START) * float(self.rng.uniform(low, high))

    def receive(self, session: Session, now: datetime) -> None:
        lot = session.get(Lot, self.lots[self.rng.integers(len(self.lots))])
        zone = session.get(Zone, self.zones[self.rng.integers(len(self.zones))])
        assert lot is not None
        assert zone is not None
        core_c = None if self.rng.random() < 0.2 else float(self.rng.uniform(0, 25))
        received_at = now - timedelta(hours=float(self.rng.exponential(20)))
        make_unit(
            session, now, self.caller, lot, zone, received_at=max(START, received_at), start_core_c=core_c
        )

    def move(self, session: Session, now: datetime) -> None:
        ids = list(session.scalars(select(Unit.id).where(Unit.state == "in_store").order_by(Unit.id)))
        if ids:
            unit = session.get(Unit, ids[self.rng.integers(len(ids))])
            assert unit is not None
            others = [zone_id for zone_id in self.zones if zone_id != unit.zone_id]
            zone_id = others[self.rng.integers(len(others))]
            stock.move_unit(session, now, self.caller, unit_id=unit.id, zone_id=zone_id, at=now)

    def pick(self, session: Session, now: datetime) -> None:
        rows = session.scalars(
            select(UnitContent.id)
            .join(Unit, Unit.id == UnitContent.unit_id)
            .where(Unit.state == "in_store", UnitContent.cases > 3)
            .order_by(UnitContent.id)
        ).all()
        if rows:
            content_id = rows[self.rng.integers(len(rows))]
            built = stock.build_unit(session, now, self.caller, zone_id=self.zones[2])
            stock.reserve_cases(session, content_id, 2)
            stock.take_cases(session, now, self.caller, content_id=content_id, cases=2, to_unit_id=built.id)

    def agree(self, session: Session, now: datetime) -> None:
        """Assert that what was reckoned is what one integration of everything gives."""
        site_id = self.caller.site_id
        found = queries.reckoned(session, site_id, now)
        rows = queries.life(session, site_id, list(found))
        whole = queries.aged(session, site_id, now)
        assert found.keys() == {one.pack.content_id for one in whole}
        for one in whole:
            own = found[one.pack.content_id]
            assert own.used == pytest.approx(one.used, rel=1e-9, abs=1e-13)
            assert own.core_c == pytest.approx(one.core_c, abs=1e-7)
            assert own.bridged_s == pytest.approx(one.bridged_s, abs=1.0)
            written = rows[one.pack.content_id]
            assert abs(written.expires_at - one.expires_at) <= timedelta(hours=1, seconds=1)
            assert abs(written.cautious_at - one.cautious_at) <= timedelta(hours=2)
            assert written.cautious_at <= written.expires_at


KINDS = ("sqlite", "postgresql")


# One story on both kinds of database, and others on one of them each.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("database_url", "seed"),
    [
        *((kind, 0) for kind in KINDS),
        *((KINDS[seed % 2], seed) for seed in range(1, 8)),
    ],
    indirect=["database_url"],
)
def test_any_order_of_events_and_news_gives_the_life_of_one_batch_integration(
    api: Api, database: Database, seed: int
) -> None:
    story = Story(database, api.callers["qa"], seed)
    rng = story.rng
    # Most readings are heard in order, in chunks; a third of them late, by up to all of the time.
    delay = np.where(
        rng.random(len(story.said)) < 0.3, rng.exponential(200, len(story.said)), rng.uniform(0, 2)
    )
    heard_at = [
        reading[1] + timedelta(hours=float(late)) for reading, late in zip(story.said, delay, strict=True)
    ]
    order = sorted(range(len(story.said)), key=lambda place: heard_at[place])
    instants = sorted(story.at(0.02, 1.0) for _ in range(14))
    done = 0
    for now in [*instants, END]:
        with database.transaction() as session:
            last = done
            while last < len(order) and (heard_at[order[last]] <= now or now == END):
                last += 1
            batch = [story.said[place] for place in order[done:last]]
            rng.shuffle(batch)  # type: ignore[arg-type]
            repeated = batch[:: int(rng.integers(3, 9))]
            say(session, max(now, END if now == END else now), story.caller.site_id, [*batch, *repeated])
            done = last
            for act in rng.permutation(["receive", "receive", "receive", "move", "move", "pick"]):
                getattr(story, str(act))(session, now)
        with database.transaction() as session:
            usecases.refresh_life(session, now, story.caller.site_id)
            story.agree(session, now)
    with database.transaction() as session:
        kept = queries.reckoned(session, story.caller.site_id, END)
        usecases.refresh_life(session, END, story.caller.site_id, from_scratch=True)
        anew = queries.reckoned(session, story.caller.site_id, END)
    for content_id, one in anew.items():
        assert kept[content_id].used == pytest.approx(one.used, rel=1e-9, abs=1e-13)


def test_a_room_first_measured_after_weeks_is_told_from_its_first_reading(
    api: Api, database: Database
) -> None:
    story = Story(database, api.callers["qa"], 99)
    with database.transaction() as session:
        lot, zone = session.get(Lot, story.lots[2]), session.get(Zone, story.zones[3])
        assert lot is not None
        assert zone is not None
        make_unit(session, START, story.caller, lot, zone, received_at=START, start_core_c=18.0)
        middle = START + timedelta(days=30)
        usecases.refresh_life(session, middle, story.caller.site_id)
        story.agree(session, middle)
        sensor = make_sensor(session, middle, story.caller, zone)
        say(session, END, story.caller.site_id, series(sensor.code, middle, END, 9.0))
        usecases.refresh_life(session, END, story.caller.site_id)
        story.agree(session, END)


def test_a_correction_of_the_past_reaches_what_it_touched(api: Api, database: Database) -> None:
    story = Story(database, api.callers["qa"], 5)
    with database.transaction() as session:
        for _ in range(6):
            story.receive(session, START + timedelta(days=2))
        say(session, END, story.caller.site_id, story.said)
        for _ in range(3):
            story.move(session, START + timedelta(days=20))
        usecases.refresh_life(session, END, story.caller.site_id)
        story.agree(session, END)
        wrong = story.said[len(story.said) // 2]
        for value in (24.0, None):
            wish = Wish(wrong[0], wrong[1], value)
            climate.correct_readings(session, END, story.caller, [wish], reason="the logger was off")
            usecases.refresh_life(session, END, story.caller.site_id)
            story.agree(session, END)


def test_a_calm_store_is_not_looked_at_pack_by_pack(api: Api, database: Database) -> None:
    story = Story(database, api.callers["qa"], 7)
    with database.transaction() as session:
        zone, lot = session.get(Zone, story.zones[1]), session.get(Lot, story.lots[1])
        assert lot is not None
        assert zone is not None
        for _ in range(20):
            make_unit(session, START, story.caller, lot, zone, received_at=START, start_core_c=6.0)
        say(session, END, story.caller.site_id, series("s1", START, END, 3.0))
        assert usecases.refresh_life(session, END, story.caller.site_id).looked_at == 20
        assert session.scalar(select(func.count()).where(LifeState.stage == "settled")) == 20
        before = END
        for hours in (1, 24, 240):
            later = END + timedelta(hours=hours)
            say(session, later, story.caller.site_id, series("s1", before, later, 3.0))
            assert usecases.refresh_life(session, later, story.caller.site_id).looked_at == 0
            before = later
        # A day in the warmth moves them all, and each row is written once.
        warm = END + timedelta(hours=264)
        say(session, warm, story.caller.site_id, series("s1", before, warm, 20.0)[1:])
        done = usecases.refresh_life(session, warm, story.caller.site_id)
        assert (done.looked_at, done.changed) == (20, 20)
        assert set(session.scalars(select(Life.as_of_at))) == {warm}


def test_thinned_readings_cost_no_digit_of_life(api: Api, database: Database) -> None:
    story = Story(database, api.callers["qa"], 21)
    site_id = story.caller.site_id
    with database.transaction() as session:
        for days in (1, 2, 6, 35):
            story.receive(session, START + timedelta(days=days))
        assert queries.needed_from(session, site_id, END) == datetime.fromtimestamp(0, UTC)
        say(session, END, site_id, story.said)
        usecases.refresh_life(session, END, site_id)
        before = queries.reckoned(session, site_id, END)
        needed_from = queries.needed_from(session, site_id, END)
        assert START < needed_from <= END
    closed: list[datetime] = []
    while True:
        with database.transaction() as session:
            until = climate.thin_readings(session, END, site_id, keep_days=5, not_after=needed_from)
            if until is None:
                break
            closed.append(until)
    assert closed
    assert max(closed) <= needed_from
    with database.transaction() as session:
        usecases.refresh_life(session, END, site_id)
        after = queries.reckoned(session, site_id, END)
        assert {key: one.used for key, one in after.items()} == {
            key: pytest.approx(one.used, rel=1e-12) for key, one in before.items()
        }
        # And it goes on as if nothing had happened: what one more day costs is that day's own integral.
        later = END + timedelta(days=1)
        for number, base_c in enumerate((2.0, 4.0, 12.0)):
            say(session, later, site_id, series(f"s{number}", END, later, base_c)[1:])
        usecases.refresh_life(session, later, site_id)
        for key, one in queries.reckoned(session, site_id, later).items():
            assert all(one.used[name] >= share for name, share in after[key].used.items())
