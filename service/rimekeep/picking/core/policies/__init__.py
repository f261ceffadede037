"""Orders of taking stock compared on the same lots and demand."""

from rimekeep.picking.core.policies.compare import Comparison, Estimate, compare, estimate
from rimekeep.picking.core.policies.own import LineSeen, LotSeen, own_world
from rimekeep.picking.core.policies.replay import Policy, Replayed, World, replay
from rimekeep.picking.core.policies.scenario import Scenario, invented_world

__all__ = [
    "Comparison",
    "Estimate",
    "LineSeen",
    "LotSeen",
    "Policy",
    "Replayed",
    "Scenario",
    "World",
    "compare",
    "estimate",
    "invented_world",
    "own_world",
    "replay",
]
