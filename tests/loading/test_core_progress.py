"""Planning tells how far it is, and stops with what it has when told to."""

import json
import time
from pathlib import Path

from rimekeep.cli.bench.loads.days import invented_day
from rimekeep.loading.core.check import check_plan
from rimekeep.loading.core.effort import Progress
from rimekeep.loading.core.planner import plan_loads
from rimekeep.loading.core.request import load_request

FIXTURES = Path(__file__).parents[2] / "fixtures" / "checks" / "loads"


def test_progress_only_ever_gets_better_and_ends_with_the_plan() -> None:
    request = load_request(json.loads((FIXTURES / "deck_s6_semi26.json").read_text("utf-8")))
    heard: list[Progress] = []

    def tell(progress: Progress) -> bool:
        heard.append(progress)
        return True

    plan = plan_loads(request, tell=tell)
    assert plan == plan_loads(request)
    assert heard[-1].stage == "done"
    assert (heard[-1].vehicles, heard[-1].lower_bound) == (len(plan.vehicles), plan.lower_bound)
    bounds = [one.lower_bound for one in heard]
    assert bounds == sorted(bounds)
    found = [one.vehicles for one in heard if one.vehicles is not None]
    assert found == sorted(found, reverse=True)
    spent = [one.share_spent for one in heard]
    assert spent == sorted(spent)
    assert 0 <= spent[0] <= spent[-1] <= 1


def test_told_to_stop_it_stops_with_a_legal_plan_and_its_bound() -> None:
    """The invented day takes far longer when it is not stopped."""
    request = invented_day(0)
    begun = time.thread_time()
    plan = plan_loads(request, effort=200.0, tell=lambda progress: progress.vehicles is None)
    assert time.thread_time() - begun < 20
    assert plan.status == "feasible"
    assert plan.lower_bound <= len(plan.vehicles)
    assert check_plan(request, plan.placed) == []
    assert plan.unplaced == ()


def test_stopped_before_anything_is_found_it_never_claims_a_proof() -> None:
    request = invented_day(1)
    plan = plan_loads(request, tell=lambda _: False)
    assert plan.status in ("feasible", "infeasible")
    if plan.status == "infeasible":
        assert "none was ruled out" in plan.reasons[0]
    else:
        assert check_plan(request, plan.placed) == []
