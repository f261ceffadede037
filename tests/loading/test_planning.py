"""Planning in the background: asked for, followed, stopped, interrupted."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from builders.loads import DAY, few, instance, make_day, register_fleet
from rimekeep.loading import jobs, usecases
from rimekeep.loading.tables import LoadPlanRow, PlanningJob, Trip
from rimekeep.platform.compute import Compute

DECK = few(instance("deck_s1_basic"))
LATER = {"Prefer": "respond-async"}


def day_with_trucks(api, database, clock):
    day = make_day(api, database, clock.now, DECK)
    register_fleet(api, DECK, 2)
    return day


GROUNDS = {"day": day_with_trucks}


@pytest.fixture
def day(ground):
    return ground


@pytest.fixture
def desk(api):
    return api.as_("dispatcher")


def ask(desk, body):
    response = desk.post("/v1/load-plans", body, headers=LATER)
    assert response.status_code == 202, response.text
    return response


def plan_next(database, clock, stopped=None):
    compute = Compute(0)
    try:
        return jobs.plan_next(database, clock.now, compute, stopped or threading.Event())
    finally:
        compute.close()


def counts(database):
    with database.transaction(readonly=True) as session:
        return [session.scalar(select(func.count()).select_from(table)) for table in (LoadPlanRow, Trip)]


def test_a_plan_asked_for_later_is_the_one_that_would_have_come_at_once(desk, database, clock, day):
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    at_once = desk.made("/v1/load-plans", body)
    answer = ask(desk, body)
    job = answer.json()
    assert answer.headers["Location"] == f"/v1/planning-jobs/{job['id']}"
    assert answer.headers["Preference-Applied"] == "respond-async"
    assert (job["state"], job["plan_id"], job["ship_on"]) == ("waiting", None, DAY.isoformat())
    assert plan_next(database, clock)
    assert not plan_next(database, clock)
    job = desk.ok("GET", answer.headers["Location"])
    assert (job["state"], job["vehicles"], job["lower_bound"]) == ("done", 1, 1)
    later = desk.ok("GET", f"/v1/load-plans/{job['plan_id']}")
    assert (later["status"], later["state"]) == ("optimal", "draft")
    shown = [[(p["sscc"], p["row"], p["lane"]) for p in t["places"]] for t in later["trips"]]
    assert shown == [[(p["sscc"], p["row"], p["lane"]) for p in t["places"]] for t in at_once["trips"]]
    listed = desk.ok("GET", f"/v1/planning-jobs?ship_on={DAY}&state=done")["items"]
    assert [one["id"] for one in listed] == [job["id"]]
    told = desk.as_("lead").ok("GET", "/v1/outbox?kind=planning.done")["items"]
    assert told[0]["data"]["plan_id"] == job["plan_id"]


def test_a_repeated_call_asks_once(desk, database, day):
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    first = desk.post("/v1/load-plans", body, headers=LATER, key="once")
    again = desk.post("/v1/load-plans", body, headers=LATER, key="once")
    assert (first.status_code, again.status_code) == (202, 202)
    assert first.json() == again.json()
    assert len(desk.ok("GET", "/v1/planning-jobs")["items"]) == 1


def test_other_preferences_plan_at_once(desk, day):
    body = {"ship_on": DAY.isoformat(), "drops": day.drops}
    for prefer in ("wait=10", "return=minimal, handling=lenient", ""):
        assert desk.post("/v1/load-plans", body, headers={"Prefer": prefer}).status_code == 201
    for prefer in ("wait=1, respond-async", "Respond-Async"):
        assert desk.post("/v1/load-plans", body, headers={"Prefer": prefer}).status_code == 202


def test_what_cannot_be_planned_fails_with_the_problem_it_would_have_got_at_once(desk, database, clock, day):
    refused = desk.refused(
        "/v1/load-plans", {"ship_on": DAY.isoformat(), "drops": [999]}, 422, "invalid-input"
    )
    job = ask(desk, {"ship_on": DAY.isoformat(), "drops": [999]}).json()
    plan_next(database, clock)
    job = desk.ok("GET", f"/v1/planning-jobs/{job['id']}")
    assert (job["state"], job["plan_id"], job["problem"]["code"]) == ("failed", None, "invalid-input")
    assert job["problem"]["errors"] == refused["errors"]
    assert counts(database) == [0, 0]
    desk.refused(f"/v1/planning-jobs/{job['id']}/stop", None, 409, "job-over")


def test_a_fault_of_ours_is_not_told_to_the_caller_and_leaves_nothing(
    desk, database, clock, day, monkeypatch
):
    job = ask(desk, {"ship_on": DAY.isoformat(), "drops": day.drops}).json()

    class Broken(Compute):
        def follow(self, work, hear, /, *args, **kwargs):
            raise MemoryError("secret detail")

    jobs.plan_next(database, clock.now, Broken(0), threading.Event())
    job = desk.ok("GET", f"/v1/planning-jobs/{job['id']}")
    assert (job["state"], job["problem"]["code"]) == ("failed", "planning-failed")
    assert "secret" not in str(job)
    assert counts(database) == [0, 0]


def test_a_job_that_waits_is_stopped_at_once_and_never_begun(desk, database, clock, day):
    job = ask(desk, {"ship_on": DAY.isoformat(), "drops": day.drops}).json()
    stopped = desk.made(f"/v1/planning-jobs/{job['id']}/stop")
    assert (stopped["state"], stopped["wants_stop"]) == ("cancelled", True)
    assert not plan_next(database, clock)
    assert counts(database) == [0, 0]


def test_a_process_that_ends_leaves_its_job_interrupted_and_no_plan(desk, database, clock, day):
    job = ask(desk, {"ship_on": DAY.isoformat(), "drops": day.drops}).json()
    ending = threading.Event()
    ending.set()
    assert plan_next(database, clock, ending)
    job = desk.ok("GET", f"/v1/planning-jobs/{job['id']}")
    assert (job["state"], job["problem"]["code"]) == ("interrupted", "planning-interrupted")
    assert counts(database) == [0, 0]


def test_a_job_says_how_far_it_is_and_is_stopped_with_the_best_plan_so_far(
    desk, database, clock, day, monkeypatch
):
    """Asked to stop while visits are searched, it ends with the trucks it has by then."""
    job = ask(desk, {"ship_on": DAY.isoformat(), "drops": day.drops}).json()
    path, seen, note = f"/v1/planning-jobs/{job['id']}", [], usecases.note_progress

    def note_and_look(session, now, job_id, **said):
        goes_on = note(session, now, job_id, **said)
        session.commit()
        shown = desk.ok("GET", path)
        seen.append((shown["stage"], shown["vehicles"], shown["lower_bound"], goes_on))
        if shown["stage"] == "visits" and not shown["wants_stop"]:
            desk.made(f"{path}/stop")
        return goes_on

    monkeypatch.setattr(usecases, "note_progress", note_and_look)
    assert plan_next(database, clock)
    done = desk.ok("GET", path)
    assert (done["state"], done["wants_stop"]) == ("done", True)
    assert next(stage for stage, *_ in seen) != "visits"
    assert ("visits", done["vehicles"], done["lower_bound"]) in [one[:3] for one in seen]
    plan = desk.ok("GET", f"/v1/load-plans/{done['plan_id']}")
    assert sum(len(trip["places"]) for trip in plan["trips"]) == len(DECK["pallets"])


def test_a_job_nobody_is_heard_from_is_interrupted_and_its_late_plan_is_not_written(
    desk, database, clock, day
):
    job = ask(desk, {"ship_on": DAY.isoformat(), "drops": day.drops}).json()
    with database.transaction() as session:
        taken = usecases.take_job(session, clock.now)
    with database.transaction() as session:
        jobs.note_interrupted(session, clock.now + timedelta(seconds=20))
    assert desk.ok("GET", f"/v1/planning-jobs/{job['id']}")["state"] == "running"
    with database.transaction() as session:
        assert usecases.note_progress(session, clock.now + timedelta(seconds=20), taken.id, vehicles=2)
    with database.transaction() as session:
        jobs.note_interrupted(session, clock.now + timedelta(seconds=45))
    running = desk.ok("GET", f"/v1/planning-jobs/{job['id']}")
    assert (running["state"], running["vehicles"]) == ("running", 2)
    desk.made(f"/v1/planning-jobs/{job['id']}/stop")
    with database.transaction() as session:
        assert not usecases.note_progress(session, clock.now + timedelta(seconds=20), taken.id)
        jobs.note_interrupted(session, clock.now + timedelta(seconds=51))
    compute = Compute(0)
    with pytest.raises(Exception, match="interrupted"), database.transaction() as session:
        usecases.plan_job(session, clock.now, taken, compute)
    assert desk.ok("GET", f"/v1/planning-jobs/{job['id']}")["state"] == "interrupted"
    assert counts(database) == [0, 0]


def test_jobs_are_taken_once_in_the_order_they_were_asked(desk, database, clock, day):
    ids = [ask(desk, {"ship_on": DAY.isoformat(), "drops": day.drops}).json()["id"] for _ in range(3)]
    taken = []
    for _ in range(4):
        with database.transaction() as session:
            one = usecases.take_job(session, clock.now)
        taken.append(one and one.id)
    assert taken == [*ids, None]
    with database.transaction(readonly=True) as session:
        assert session.scalar(select(func.count()).where(PlanningJob.state == "running")) == 3
