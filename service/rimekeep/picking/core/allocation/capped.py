"""
Integer search for what flows cannot say: at most so many lots per line, later deliveries never older.

A start is built line by line; CP-SAT then improves it goal by goal and proves what it can. One worker, a
fixed seed and deterministic time make the answer repeatable.
"""

from dataclasses import dataclass, field
from itertools import accumulate

import numpy as np
from ortools.sat.python import cp_model

from rimekeep.picking.core.allocation.ceiling import Ceiling, ceiling
from rimekeep.picking.core.allocation.opening import opening, rating, settled
from rimekeep.picking.core.allocation.rules import ProductWave, Taken


@dataclass(frozen=True, slots=True)
class Found:
    """The best answer found, an upper bound on the cases served, and whether both goals are proven."""

    taken: Taken
    bound: int
    is_proven: bool


@dataclass(frozen=True, slots=True)
class Start:
    """What is known of a product before the search: a good answer and ceilings for the cases it can serve."""

    wave: ProductWave
    relaxed: Taken
    taken: Taken
    top: Ceiling
    down_to_class: list[int]
    """The most cases of each class and all higher ones together."""

    @classmethod
    def of(cls, wave: ProductWave, relaxed: Taken) -> "Start":
        """Return the start for ``wave``; ``relaxed`` is its best answer without caps and sequences."""
        down_to_class = list(accumulate(wave.served_by_class(relaxed)))
        top = ceiling(wave, wave.classes[-1])
        down_to_class[-1] = min(down_to_class[-1], top.cases)
        if len(down_to_class) > 1:
            down_to_class[0] = min(down_to_class[0], ceiling(wave, wave.classes[0]).cases)
        return cls(wave, relaxed, opening(wave, top.shares), top, down_to_class)

    @property
    def bound(self) -> int:
        """Return the most cases any answer serves."""
        return self.down_to_class[-1]

    @property
    def gap(self) -> int:
        """Return the cases between the answer at hand and its bound."""
        return self.bound - sum(self.wave.served_by_class(self.taken))

    def unsearched(self) -> Found:
        """Return the answer at hand as it is."""
        return Found(self.taken, self.bound, False)


def search(start: Start, *, effort: float) -> Found:
    """
    Return the best allocation of one product under lot caps and sequences of deliveries.

    Parameters
    ----------
    start
        What is known so far.
    effort
        Deterministic seconds of the solver. [s]
    """
    wave, best = start.wave, start.taken
    model = _Model.of(wave)
    bound, is_proven, left = start.bound, True, effort
    for rank, most in enumerate(start.down_to_class):
        # The classes above are settled, so this one cannot get more than they leave of what all can get.
        if sum(wave.served_by_class(best)[: rank + 1]) < most:
            answer = model.improve(wave, best, model.served(wave, wave.classes[rank]), left * 0.7, grow=True)
            best, is_proven, left = answer.taken, is_proven and answer.is_proven, left - answer.spent
            if len(start.down_to_class) == 1:
                bound = min(bound, answer.bound)
        value = wave.served_by_class(best)[rank]
        model.model.add(model.served(wave, wave.classes[rank]) >= value)
    if is_proven:
        bound = sum(wave.served_by_class(best))
    reached = (wave.served_by_class(best), wave.cost(best))
    if reached != (wave.served_by_class(start.relaxed), wave.cost(start.relaxed)):
        answer = model.improve(wave, best, model.cost(wave), left, grow=False)
        best, is_proven = answer.taken, is_proven and answer.is_proven
    best = settled(wave, best)
    return Found(best, max(bound, sum(wave.served_by_class(best))), is_proven)


@dataclass(frozen=True, slots=True)
class _Answer:
    taken: Taken
    bound: int
    is_proven: bool
    spent: float


@dataclass(slots=True)
class _Model:
    """
    The integer program of one product.

    Lines without cap and sequence that may use the same lots and share a priority are one block: between them
    any split of the block's cases is as good.
    """

    model: cp_model.CpModel
    blocks: list[list[int]] = field(default_factory=list)
    cases: dict[tuple[int, int], cp_model.IntVar] = field(default_factory=dict)
    uses: dict[tuple[int, int], cp_model.IntVar] = field(default_factory=dict)
    newest: dict[tuple[int, int], cp_model.IntVar] = field(default_factory=dict)

    @classmethod
    def of(cls, wave: ProductWave) -> "_Model":
        """Return the program with all rules and no goal."""
        self = cls(cp_model.CpModel())
        bound_lines = {
            place for seq in wave.sequences if wave.is_binding(seq) for delivery in seq for place in delivery
        }
        groups: dict[tuple[object, ...], list[int]] = {}
        for place, line in enumerate(wave.lines):
            is_alone = wave.caps[place] is not None or place in bound_lines
            key = (place,) if is_alone else (line.priority, wave.usable[place].tobytes())
            groups.setdefault(key, []).append(place)
        self.blocks = list(groups.values())
        by_lot: dict[int, list[cp_model.IntVar]] = {}
        for block, members in enumerate(self.blocks):
            demand = sum(wave.lines[place].cases for place in members)
            own = []
            for lot in np.flatnonzero(wave.usable[members[0]]).tolist():
                most = min(demand, wave.free[lot])
                if most:
                    variable = self.model.new_int_var(0, most, "")
                    self.cases[block, lot] = variable
                    by_lot.setdefault(lot, []).append(variable)
                    own.append(variable)
                    if wave.caps[members[0]] is not None or members[0] in bound_lines:
                        label = wave.labels[lot]
                        if (block, label) not in self.uses:
                            self.uses[block, label] = self.model.new_bool_var("")
                        self.model.add(variable <= most * self.uses[block, label])
            self.model.add(cp_model.LinearExpr.sum(own) <= demand)
            cap = wave.caps[members[0]]
            if cap is not None:
                uses = [
                    use
                    for (one, label), use in self.uses.items()
                    if one == block and label not in wave.had[members[0]]
                ]
                self.model.add(cp_model.LinearExpr.sum(uses) <= cap)
        for lot, variables in by_lot.items():
            self.model.add(cp_model.LinearExpr.sum(variables) <= wave.free[lot])
        self._add_sequences(wave)
        return self

    def _add_sequences(self, wave: ProductWave) -> None:
        """Keep, per delivery, the newest printed day so far; the next delivery may not go behind it."""
        block_of = {place: block for block, members in enumerate(self.blocks) for place in members}
        if not wave.printed:
            return
        first, last = min(wave.printed), max(wave.printed)
        for number, sequence in enumerate(wave.sequences):
            if not wave.is_binding(sequence):
                continue
            before: cp_model.IntVar | None = None
            for rank, delivery in enumerate(sequence):
                newest = self.newest[number, rank] = self.model.new_int_var(first, last, "")
                if before is not None:
                    self.model.add(newest >= before)
                for place in delivery:
                    for label, day in dict(zip(wave.labels, wave.printed, strict=True)).items():
                        use = self.uses.get((block_of[place], label))
                        if use is not None:
                            self.model.add(newest >= day).only_enforce_if(use)
                            if before is not None:
                                self.model.add(before <= day).only_enforce_if(use)
                before = newest

    def served(self, wave: ProductWave, priority: int) -> cp_model.LinearExprT:
        """Return the cases served in one priority class."""
        return cp_model.LinearExpr.sum(
            [
                variable
                for (block, _), variable in self.cases.items()
                if wave.lines[self.blocks[block][0]].priority == priority
            ]
        )

    def cost(self, wave: ProductWave) -> cp_model.LinearExprT:
        """Return Σ cases × days after the first expiry."""
        return cp_model.LinearExpr.weighted_sum(
            list(self.cases.values()), [wave.expiry[lot] - wave.expiry[0] for _, lot in self.cases]
        )

    def improve(
        self, wave: ProductWave, best: Taken, goal: cp_model.LinearExprT, effort: float, *, grow: bool
    ) -> _Answer:
        """Return the best answer for ``goal`` from ``best`` on, within ``effort`` deterministic seconds."""
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        for (block, lot), variable in self.cases.items():
            cases = sum(best[place].get(lot, 0) for place in self.blocks[block])
            self.model.add_hint(variable, cases)
        served = {
            (block, wave.labels[lot])
            for block, members in enumerate(self.blocks)
            for place in members
            for lot in best[place]
        }
        for pair, use in self.uses.items():
            self.model.add_hint(use, pair in served)
        self.model.clear_objective()  # type: ignore[no-untyped-call]
        if grow:
            self.model.maximize(goal)
        else:
            self.model.minimize(goal)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = 1
        solver.parameters.max_deterministic_time = max(effort, 0.01)
        status = solver.solve(self.model)
        spent = solver.response_proto.deterministic_time
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return _Answer(best, 10**15, False, spent)
        taken = self._split(wave, solver)
        if rating(wave, best) > rating(wave, taken):
            taken = best
        return _Answer(taken, int(solver.best_objective_bound + 0.5), status == cp_model.OPTIMAL, spent)

    def _split(self, wave: ProductWave, solver: cp_model.CpSolver) -> Taken:
        """Return the solver's answer with each block's cases handed to its lines in order."""
        taken: Taken = [{} for _ in wave.lines]
        missing = [line.cases for line in wave.lines]
        for (block, lot), variable in self.cases.items():
            cases = solver.value(variable)
            for place in self.blocks[block]:
                got = min(cases, missing[place])
                if got:
                    taken[place][lot] = got
                    missing[place] -= got
                    cases -= got
        return taken
