"""Batches stored as one come apart again as they were."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.climate.core.batch import Batch, Outcome, Taken, Word
from rimekeep.climate.core.joining import groups, joined, parted

# For each reading sent: it cannot be read, it is new, it is a repeat, or the store refuses it.
fates = st.lists(
    st.lists(st.sampled_from(["unread", "new", "repeat", "refused"]), max_size=6), min_size=1, max_size=5
)


def batch_of(number: int, each: list[str]) -> Batch:
    """A batch whose values tell where each reading came from."""
    places = [place for place, fate in enumerate(each) if fate != "unread"]
    unread = {
        place: Outcome(Word.NOT_A_READING, "", f"{number} {place}")
        for place, fate in enumerate(each)
        if fate == "unread"
    }
    return Batch(
        [f"{number}-{place}" for place in places],
        np.array([1000 * number + place for place in places], dtype=np.int64),
        np.array([number + place / 100 for place in places], dtype=np.float64),
        np.array(places, dtype=np.int64),
        len(each),
        unread,
        {row: f"{number} {place}" for row, place in enumerate(places)},
        is_pack=True,
    )


@settings(max_examples=60)
@given(fates)
def test_what_became_of_each_batch_is_told_for_itself(sent: list[list[str]]) -> None:
    batches = [batch_of(number, each) for number, each in enumerate(sent)]
    whole = joined(batches)
    assert whole.size == sum(map(len, sent))
    faults, repeated = dict(whole.faults), set()
    flat = [(number, place, fate) for number, each in enumerate(sent) for place, fate in enumerate(each)]
    for code, at_ms, at, row in zip(
        whole.codes, whole.at_ms, whole.places, range(len(whole.codes)), strict=True
    ):
        number, place, fate = flat[at]
        assert (code, at_ms) == (f"{number}-{place}", 1000 * number + place)
        assert whole.other_units[row] == f"{number} {place}"
        if fate == "repeat":
            repeated.add(int(at))
        elif fate == "refused":
            faults[int(at)] = Outcome(Word.DIFFERS, "temp", f"{number} {place}")
    apart = parted(Taken(whole.size, frozenset(repeated), faults), batches)
    for number, (each, taken) in enumerate(zip(sent, apart, strict=True)):
        assert taken.size == len(each)
        assert taken.repeated == {place for place, fate in enumerate(each) if fate == "repeat"}
        assert {place: fault.detail for place, fault in taken.faults.items()} == {
            place: f"{number} {place}" for place, fate in enumerate(each) if fate in ("unread", "refused")
        }
        assert taken.is_pack


@given(st.lists(st.integers(0, 12), max_size=12))
def test_groups_hold_all_in_order_and_none_too_many(sizes: list[int]) -> None:
    batches = [batch_of(number, ["new"] * size) for number, size in enumerate(sizes)]
    found = list(groups(batches, 12))
    assert [place for group in found for place in group] == list(range(len(sizes)))
    assert all(sum(sizes[place] for place in group) <= 12 for group in found)
    # No two neighbours could have gone together.
    assert all(
        sum(sizes[place] for place in group) + sizes[after[0]] > 12 for group, after in pairwise(found)
    )
