"""Two devices never hold the same pick, whatever happens to their lists, their leases and their queues."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from itertools import count
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from sqlalchemy import select, text
from sqlmodel import col

from builders.databases import NOW
from builders.floor import Floor
from builders.grounds import Clock
from builders.stock import make_lot, make_unit
from rimekeep.picking import jobs
from rimekeep.platform.journal import LedgerEvent
from rimekeep.stock.queries import zone_by_code
from rimekeep.stock.tables import Unit

DEVICES = ("one", "two", "three")
KEYS = count(1)


class Devices(RuleBasedStateMachine):
    """
    Three handhelds and a lead at work on a few lists.

    Each device remembers what it saw, and what it did without a network, and sends that when and as often as it
    likes: also after its list went to somebody else. What the service says is held against the ledger.
    """

    floor: Floor
    clock: Clock

    @initialize()
    def fill(self) -> None:
        """New stock and new lists; those before are done with."""
        self.seen: dict[str, dict[int, dict[str, Any]]] = {name: {} for name in DEVICES}
        self.queue: dict[str, list[dict[str, Any]]] = {name: [] for name in DEVICES}
        self.told: Counter[int] = Counter()
        self.holds: dict[str, set[int]] = {name: set() for name in DEVICES}
        floor = self.floor
        with floor.database.transaction() as session:
            caller = floor.api.callers["lead"]
            session.execute(text("UPDATE pick_list SET state = 'done'"))
            session.execute(text("UPDATE pick SET state = 'withdrawn' WHERE state = 'open'"))
            session.execute(text("UPDATE allocation SET state = 'returned' WHERE state = 'reserved'"))
            session.execute(
                text("UPDATE unit_content SET reserved_cases = 0 WHERE unit_id IN "
                     "(SELECT id FROM unit WHERE state = 'in_store')")
            )  # fmt: skip
            first = session.scalars(select(Unit).where(col(Unit.sscc) == floor.ssccs[0])).one()
            lot = make_lot(session, NOW, caller, product_id=floor.product_id)
            zone = zone_by_code(session, caller.site_id, self.zone_code(first.zone_id))
            for _ in range(3):
                make_unit(session, NOW, caller, lot, zone, cases=48)
        self.lists = [one["id"] for one in floor.lists(*(floor.order(n) for n in (50, 9, 12)))]

    def zone_code(self, zone_id: int) -> str:
        """The code of a zone."""
        zones = self.floor.api.as_("lead").ok("GET", "/v1/zones")["items"]
        return next(str(zone["code"]) for zone in zones if zone["id"] == zone_id)

    def note(self, name: str, task: dict[str, Any] | None) -> None:
        """The device keeps what it was shown."""
        if task is not None and task["device_id"] == self.floor.api.callers[name].id:
            self.seen[name].update({pick["id"]: pick for pick in task["picks"]})

    @rule(name=st.sampled_from(DEVICES))
    def take_next(self, name: str) -> None:
        """Ask for work."""
        self.note(name, self.floor.api.as_(name).made("/v1/pick-lists/next"))

    @rule(name=st.sampled_from(DEVICES), place=st.integers(0, 2))
    def take_one(self, name: str, place: int) -> None:
        """Ask for a list by its number."""
        if place < len(self.lists):
            response = self.floor.api.as_(name).post(f"/v1/pick-lists/{self.lists[place]}/take")
            assert response.status_code in (200, 409)
            self.note(name, response.json() if response.status_code == 200 else None)

    @rule(name=st.sampled_from(DEVICES), place=st.integers(0, 2))
    def hand_back(self, name: str, place: int) -> None:
        """Give a list back, one's own or not."""
        if place < len(self.lists):
            response = self.floor.api.as_(name).post(f"/v1/pick-lists/{self.lists[place]}/hand-back")
            assert response.status_code in (200, 409)

    @rule(to=st.sampled_from((*DEVICES, None)), place=st.integers(0, 2))
    def take_over(self, to: str | None, place: int) -> None:
        """The lead gives a list to another device, or to whoever asks next."""
        if place < len(self.lists):
            device_id = None if to is None else self.floor.api.callers[to].id
            body = {"device_id": device_id, "reason": "the device is dead"}
            path = f"/v1/pick-lists/{self.lists[place]}/take-over"
            response = self.floor.api.as_("lead").post(path, body)
            assert response.status_code in (200, 409)
            if to is not None and response.status_code == 200:
                self.note(to, response.json())

    @rule(minutes=st.sampled_from((1, 6)), is_job=st.booleans())
    def time_passes(self, minutes: int, is_job: bool) -> None:
        """Leases last five minutes; the job may or may not have come by."""
        self.clock.now += timedelta(minutes=minutes)
        if is_job:
            with self.floor.database.transaction() as session:
                jobs.return_leases(session, self.clock.now)

    @rule(name=st.sampled_from(DEVICES), choice=st.integers(0, 9), is_offline=st.booleans())
    def pick(self, name: str, choice: int, is_offline: bool) -> None:
        """Pick anything the device was ever shown, and say so now or later."""
        picks = list(self.seen[name].values())
        if not picks:
            return
        pick = picks[choice % len(picks)]
        body = self.floor.right(pick)
        if is_offline:
            call = {"key": f"{name} {next(KEYS)}", "at": self.clock.now.isoformat(), "call": "confirm"}
            self.queue[name].append({**call, "pick_id": pick["id"], **body})
            return
        response = self.floor.api.as_(name).post(f"/v1/picks/{pick['id']}/confirm", body)
        assert response.status_code in (200, 409), response.text
        if response.status_code == 200:
            self.told[pick["id"]] += 1

    @rule(name=st.sampled_from(DEVICES), seed=st.randoms(use_true_random=False))
    def replay(self, name: str, seed: Any) -> None:
        """Send all that was ever done offline, shuffled, some of it twice."""
        calls = [*self.queue[name], *self.queue[name][::2]]
        seed.shuffle(calls)
        if not calls:
            return
        answer = self.floor.api.as_(name).made("/v1/pick-queue", {"calls": calls})
        for one, call in zip(answer["calls"], calls, strict=True):
            assert one["outcome"] in ("done", "repeated", "over", "refused"), one
            assert one["code"] != "idempotency-key-reused"
            if one["outcome"] == "done":
                self.told[call["pick_id"]] += 1

    @invariant()
    def nothing_is_picked_twice_and_all_agrees(self) -> None:
        """What devices were told is what happened, once each."""
        assert all(times == 1 for times in self.told.values()), self.told
        with self.floor.database.transaction(readonly=True) as session:
            rows = session.scalars(
                select(col(LedgerEvent.data)).where(col(LedgerEvent.kind) == "pick.confirmed")
            ).all()
        picked = Counter(row["pick_id"] for row in rows if row["list_id"] in self.lists)
        assert picked == self.told

    @invariant()
    def no_two_devices_may_confirm_the_same_pick(self) -> None:
        """Of those who were ever shown a pick, one at most is let through."""
        for pick_id in {pick_id for name in DEVICES for pick_id in self.seen[name]}:
            let_in = []
            for name in DEVICES:
                pick = self.seen[name].get(pick_id)
                if pick is not None:
                    body = self.floor.right(pick)
                    response = self.floor.api.as_(name).post(f"/v1/picks/{pick_id}/check", body)
                    if response.status_code == 200:
                        let_in.append(name)
            assert len(let_in) <= 1, (pick_id, let_in)

    def teardown(self) -> None:
        """The books agree."""
        self.floor.total()


@contextmanager
def on(floor: Floor, clock: Clock) -> Iterator[type[Devices]]:
    """The machine on one floor."""
    for name in DEVICES:
        floor.device(name)

    class Here(Devices):
        pass

    Here.floor, Here.clock = floor, clock
    yield Here


@pytest.mark.parametrize(
    ("database_url", "examples"),
    [
        ("postgresql", 4),
        pytest.param("sqlite", 40, marks=pytest.mark.slow),
        pytest.param("postgresql", 40, marks=pytest.mark.slow),
    ],
    indirect=["database_url"],
)
def test_two_devices_never_hold_the_same_pick(floor: Floor, clock: Clock, examples: int) -> None:
    with on(floor, clock) as machine:
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=examples,
                stateful_step_count=15,
                deadline=None,
                database=None,
                derandomize=True,
                suppress_health_check=list(HealthCheck),
            ),
        )
