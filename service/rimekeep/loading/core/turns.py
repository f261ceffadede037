"""
The trips of one truck, one after the other: when each leaves at the soonest, and when it is back.

A trip that leaves later is never back sooner, so that leaving as soon as may be is best for all that follow.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

from rimekeep.loading.core.road_form import clock
from rimekeep.loading.core.roads import Roads
from rimekeep.loading.core.vehicle import LoadRequest, Shift, Turn


@dataclass(frozen=True, slots=True)
class Job:
    """
    A load's trip as the clock sees it.

    It leaves between ``soonest_s`` and ``latest_s`` (None: whenever) and takes ``lasts_s``, but is not back
    before ``back_from_s``, because drops have to open. Later than ``latest_s`` a drop would be shut that is
    not when it leaves at the soonest.
    """

    soonest_s: int
    latest_s: int | None
    lasts_s: int
    back_from_s: int

    def back_s(self, leaves_s: int) -> int:
        """Return when it is back that leaves at a certain time."""
        return max(leaves_s + self.lasts_s, self.back_from_s)


def job_of(roads: Roads | None, stops: Sequence[str], shift: Shift) -> Job:
    """Return the trip that serves stops in an order, by roads if there are any, else as long as is said."""
    if roads is None:
        return Job(shift.starts_s, None, shift.trip_s or 0, 0)
    order = [roads.number(stop) for stop in stops]
    drives_s, opened_s, at = 0, 0, 0
    soonest_s = max(shift.starts_s, roads.leaves_s)
    reached: list[tuple[int, int, int | None]] = []
    for k in order:
        call = roads.calls[k]
        drives_s += roads.leg_s(at, k + 1)
        opened_s = max(opened_s + roads.leg_s(at, k + 1), call.open_from_s)
        reached.append((drives_s, opened_s, call.open_until_s))
        drives_s, opened_s, at = drives_s + call.service_s, opened_s + call.service_s, k + 1
    # Before the first drop opens nobody waits there.
    soonest_s = max(soonest_s, roads.calls[order[0]].open_from_s - reached[0][0])
    latest = [
        max(until_s, soonest_s + after_s, open_s) - after_s
        for after_s, open_s, until_s in reached
        if until_s is not None
    ]
    home_s = roads.leg_s(at, 0)
    return Job(soonest_s, min(latest, default=None), drives_s + home_s, opened_s + home_s)


def in_sequence(jobs: Sequence[Job], shift: Shift) -> list[tuple[int, int]]:
    """Return when each of a truck's trips leaves and is back, in this order and each as soon as it can."""
    found: list[tuple[int, int]] = []
    free_s = shift.starts_s
    for job in jobs:
        leaves_s = max(free_s, job.soonest_s)
        back_s = job.back_s(leaves_s)
        found.append((leaves_s, back_s))
        free_s = back_s + shift.turn_round_s
    return found


def is_in_time(jobs: Sequence[Job], shift: Shift) -> bool:
    """Tell whether trips in this order keep the shift and the opening times."""
    return all(
        back_s <= shift.ends_s and (job.latest_s is None or leaves_s <= job.latest_s)
        for job, (leaves_s, back_s) in zip(jobs, in_sequence(jobs, shift), strict=True)
    )


def best_sequence(jobs: Sequence[Job], shift: Shift) -> tuple[int, ...] | None:
    """Return the order of a truck's trips that is over first, None where none keeps the times."""
    able = [order for order in permutations(range(len(jobs))) if is_in_time([jobs[k] for k in order], shift)]
    return min(
        able, key=lambda order: (in_sequence([jobs[k] for k in order], shift)[-1][1], order), default=None
    )


def turns_of(request: LoadRequest, loads: Sequence[tuple[int, int, int, Sequence[str]]]) -> tuple[Turn, ...]:
    """
    Return what each load's trip is by the clock.

    Parameters
    ----------
    request
        Roads, and of every truck its shift.
    loads
        Each a vehicle (any number of its own), the trip of that vehicle, the truck of the request it is, and
        its stops in drop order.

    Returns
    -------
    tuple of Turn
        With vehicles as they were numbered.
    """
    found: dict[int, Turn] = {}
    of_vehicle: dict[int, list[int]] = {}
    for v, (vehicle, _, _, _) in enumerate(loads):
        of_vehicle.setdefault(vehicle, []).append(v)
    for vehicle, own in of_vehicle.items():
        own.sort(key=lambda v: loads[v][1])
        shift = request.trucks[loads[own[0]][2]].shift
        if shift is None:
            found |= {v: Turn(vehicle, loads[v][1]) for v in own}
            continue
        jobs = [job_of(request.roads, loads[v][3], shift) for v in own]
        for v, (leaves_s, back_s) in zip(own, in_sequence(jobs, shift), strict=True):
            found[v] = Turn(vehicle, loads[v][1], leaves_s, back_s)
    return tuple(found[v] for v in range(len(loads)))


def turn_words(turns: Sequence[Turn], number: int) -> str:
    """Return in words which trip of which truck a load is, and when."""
    turn = turns[number]
    of = sum(other.vehicle == turn.vehicle for other in turns)
    times = ""
    if turn.leaves_s is not None and turn.back_s is not None:
        times = f", leaves {clock(turn.leaves_s)}, back {clock(turn.back_s)}"
    return f"truck {turn.vehicle + 1}, trip {turn.trip} of {of}{times}"
