"""
Where the ledger and the record part: a walk along the events of a lot.

The record says only what stands on a unit now. But events tell what it said when they were written: how many
cases were left on the unit they were taken off, how many a unit carried when it left. The first event that
found another number than the events before it add up to shows between which two the record was changed.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rimekeep.tracing.core.flows import TRANSFERS, Fact

_WHOLE = frozenset({"unit.picked", "unit.departed", "unit.delivered", "unit.taken-back"})
KINDS = (*TRANSFERS, *sorted(_WHOLE), "unit.received", "cases.adjusted", "cases.destroyed")


@dataclass(frozen=True, slots=True)
class Parting:
    """
    A content of which ledger and record say different numbers. [cases]

    ``last_good`` is the last event that found what the ledger adds up to, ``first_bad`` the first after it
    that found something else; None: it was changed after the last event that would have noticed.
    """

    content_id: int
    unit_id: int
    sscc: str
    ledger_cases: int
    record_cases: int
    last_good: Fact | None
    first_bad: Fact | None


@dataclass
class _Running:
    unit_id: int = 0
    sscc: str = ""
    cases: int = 0
    last_good: Fact | None = None
    first_bad: Fact | None = None

    def check(self, fact: Fact, found: int | None) -> None:
        if found is None:
            return
        if found == self.cases:
            self.last_good, self.first_bad = fact, None
        elif self.first_bad is None:
            self.first_bad = fact


def partings(facts: Iterable[Fact], record: Mapping[int, int]) -> list[Parting]:
    """
    Return the contents of a lot of which the ledger's sum and the record differ, by their first event.

    ``facts`` are all events of the lot in order, ``record`` its cases by content.
    """
    running: dict[int, _Running] = {}
    for fact in facts:
        if fact.kind in KINDS and fact.unit_id is not None and "content_id" in fact.data:
            _walk(running, fact)
    found = [
        Parting(
            content_id, one.unit_id, one.sscc, one.cases, record.get(content_id, 0), one.last_good,
            one.first_bad,
        )
        for content_id, one in running.items()
        if one.cases != record.get(content_id, 0)
    ]  # fmt: skip
    unknown = sorted(
        content_id for content_id, cases in record.items() if cases and content_id not in running
    )
    return found + [Parting(content_id, 0, "", 0, record[content_id], None, None) for content_id in unknown]


def _walk(running: dict[int, _Running], fact: Fact) -> None:
    assert fact.unit_id is not None
    cases, data = fact.cases or 0, fact.data
    one = running.setdefault(int(data["content_id"]), _Running(fact.unit_id, str(data.get("sscc", ""))))
    if fact.kind in TRANSFERS:
        one.cases += cases
        one.last_good = one.last_good or fact
        from_unit = int(data["from_unit_id"])
        source = running.setdefault(
            int(data["from_content_id"]), _Running(from_unit, str(data.get("from_sscc", "")))
        )
        source.cases -= cases
        source.check(fact, data.get("cases_left"))
    elif fact.kind in _WHOLE:
        one.check(fact, fact.cases)
    elif fact.kind == "cases.destroyed":
        one.cases -= cases
        one.check(fact, data.get("cases_left"))
    elif fact.kind == "cases.adjusted":
        one.cases += cases
        one.check(fact, data.get("cases_after"))
    else:
        one.cases += cases
        one.last_good = fact
