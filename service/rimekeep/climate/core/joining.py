"""Several batches of readings as one, so that they are stored together, and what became of each again."""

from collections.abc import Iterator, Sequence
from itertools import accumulate

import numpy as np

from rimekeep.climate.core.batch import Batch, Outcome, Taken


def groups(batches: Sequence[Batch], largest: int) -> Iterator[list[int]]:
    """Yield the places of neighbouring batches that together hold at most ``largest`` readings."""
    found: list[int] = []
    size = 0
    for place, batch in enumerate(batches):
        if found and size + batch.size > largest:
            yield found
            found, size = [], 0
        found.append(place)
        size += batch.size
    if found:
        yield found


def joined(batches: Sequence[Batch]) -> Batch:
    """Return batches as one, the readings of the first before those of the second."""
    if len(batches) == 1:
        return batches[0]
    starts = _starts([batch.size for batch in batches])
    rows = _starts([len(batch.codes) for batch in batches])
    return Batch(
        [code for batch in batches for code in batch.codes],
        np.concatenate([batch.at_ms for batch in batches]),
        np.concatenate([batch.temp_c for batch in batches]),
        np.concatenate([batch.places + start for batch, start in zip(batches, starts, strict=True)]),
        sum(batch.size for batch in batches),
        {
            start + place: fault
            for batch, start in zip(batches, starts, strict=True)
            for place, fault in batch.faults.items()
        },
        {
            row + place: shown
            for batch, row in zip(batches, rows, strict=True)
            for place, shown in batch.other_units.items()
        },
    )


def parted(taken: Taken, batches: Sequence[Batch]) -> list[Taken]:
    """Return what became of each of the batches that were stored as one."""
    starts = _starts([batch.size for batch in batches])
    owner = np.repeat(np.arange(len(batches)), [batch.size for batch in batches])
    repeated: list[set[int]] = [set() for _ in batches]
    for place in taken.repeated:
        number = int(owner[place])
        repeated[number].add(place - starts[number])
    faults: list[dict[int, Outcome]] = [{} for _ in batches]
    for place, fault in taken.faults.items():
        number = int(owner[place])
        faults[number][place - starts[number]] = fault
    return [
        Taken(batch.size, frozenset(repeated[number]), faults[number], batch.is_pack)
        for number, batch in enumerate(batches)
    ]


def _starts(sizes: Sequence[int]) -> list[int]:
    return [0, *accumulate(sizes)][:-1]
