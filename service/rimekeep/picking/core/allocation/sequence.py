"""Two deliveries of one product to one customer in one wave: the later one is never older."""

from rimekeep.picking.core.allocation.rules import ProductWave, Taken


def in_order(wave: ProductWave, taken: Taken) -> Taken:
    """
    Hand the cases of each such customer out again, oldest printed date to the earliest delivery.

    All lines of a customer together if that can be, or else those that state the same rule. Totals per line
    and per lot stay as they are, so neither goal changes. Where the earlier delivery is
    allowed all the later one is, this always works; a result that would break a rule is dropped.
    """
    result = list(taken)
    for sequence in [*wave.deliveries, *wave.sequences]:
        if _is_in_order(wave, sequence, result):
            continue
        pool: dict[int, int] = {}
        for position in (position for delivery in sequence for position in delivery):
            for lot, cases in result[position].items():
                pool[lot] = pool.get(lot, 0) + cases
        queue = sorted(pool, key=lambda lot: (wave.printed[lot], lot), reverse=True)
        again: dict[int, dict[int, int]] = {}
        for position in (position for delivery in sequence for position in delivery):
            missing, lots = sum(result[position].values()), dict[int, int]()
            while missing:
                lot = queue[-1]
                lots[lot] = got = min(missing, pool[lot])
                missing -= got
                pool[lot] -= got
                if not pool[lot]:
                    queue.pop()
            again[position] = lots
        if all(_may(wave, position, lots) for position, lots in again.items()):
            for position, lots in again.items():
                result[position] = lots
    return result


def _may(wave: ProductWave, position: int, lots: dict[int, int]) -> bool:
    cap = wave.caps[position]
    keeps_cap = cap is None or len(wave.new_lots(position, lots)) <= cap
    return keeps_cap and all(wave.usable[position, lot] for lot in lots)


def _is_in_order(wave: ProductWave, sequence: list[list[int]], taken: Taken) -> bool:
    newest = None
    for delivery in sequence:
        days = [wave.printed[lot] for position in delivery for lot in taken[position]]
        if days:
            if newest is not None and min(days) < newest:
                return False
            newest = max(days)
    return True


def keeps_sequences(wave: ProductWave, taken: Taken) -> bool:
    """Tell whether every customer with the no-backward rule gets deliveries in order."""
    return all(
        _is_in_order(wave, sequence, taken) for sequence in wave.sequences if wave.is_binding(sequence)
    )


def window(wave: ProductWave, taken: Taken, position: int) -> tuple[float, float]:
    """Return the printed days between which ``position`` may draw, given the rest of its sequence."""
    low, high = float("-inf"), float("inf")
    sequence, own = wave.in_sequence.get(position, ([], 0))
    for rank, delivery in enumerate(sequence):
        days = [wave.printed[lot] for other in delivery for lot in taken[other]]
        if days and rank < own:
            low = max(low, *days)
        elif days and rank > own:
            high = min(high, *days)
    return low, high
