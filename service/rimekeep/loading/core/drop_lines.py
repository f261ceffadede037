"""Stops in one line: numbered in an order, and orders that keep which stop comes before which."""

from collections.abc import Sequence
from dataclasses import replace
from heapq import heapify, heappop, heappush

from rimekeep.loading.core.vehicle import LoadRequest


def in_order(request: LoadRequest, order: Sequence[str]) -> LoadRequest:
    """Return the request with its stops numbered in an order."""
    seqs = {stop: seq for seq, stop in enumerate(order, 1)}
    stops = tuple(replace(stop, seq=seqs[stop.id]) for stop in request.stops)
    return replace(request, stops=stops, is_order_open=False)


def numbered(request: LoadRequest, order: Sequence[str]) -> list[str]:
    """Return an order of some stops with the others behind it, as they were."""
    others = sorted((stop for stop in request.stops if stop.id not in set(order)), key=lambda stop: stop.seq)
    return [*order, *(stop.id for stop in others)]


def closed(before: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """Return all pairs that follow from some: before what is before another is before that too."""
    onward: dict[str, set[str]] = {}
    for a, b in before:
        onward.setdefault(a, set()).add(b)
    found = set()
    for start in onward:
        reached, edge = set(), [start]
        while edge:
            for stop in onward.get(edge.pop(), ()):
                if stop not in reached:
                    reached.add(stop)
                    edge.append(stop)
        found |= {(start, stop) for stop in reached}
    return found


def in_line(seqs: dict[str, int], before: set[tuple[str, str]]) -> list[str]:
    """Return all stops in one line that keeps every pair, otherwise as they were numbered."""
    waiting = dict.fromkeys(seqs, 0)
    onward: dict[str, list[str]] = {}
    for a, b in before:
        waiting[b] += 1
        onward.setdefault(a, []).append(b)
    free = [(seq, stop) for stop, seq in seqs.items() if not waiting[stop]]
    heapify(free)
    line = []
    while free:
        _, stop = heappop(free)
        line.append(stop)
        for later in onward.get(stop, ()):
            waiting[later] -= 1
            if not waiting[later]:
                heappush(free, (seqs[later], later))
    return line
