"""How long records are kept, by whose rules, as data with a source for each rule."""

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum


class Jurisdiction(StrEnum):
    """By whose rules a site keeps its records."""

    EU = "eu"
    US = "us"


class Record(StrEnum):
    """A kind of record that has a rule."""

    LEDGER = "ledger"
    AUDIT = "audit"
    SIGN_INS = "sign_ins"
    INVITATIONS = "invitations"
    # Alerts' messages to receivers that took them, and every attempt to deliver one.
    LETTERS = "letters"


# What nothing rests on any more once its time is over. Ledger and audit trail are never removed by the
# service, whatever the rule: they prove each other, and a chain with its beginning cut off proves nothing.
REMOVABLE = frozenset({Record.SIGN_INS, Record.INVITATIONS, Record.LETTERS})


@dataclass(frozen=True, slots=True)
class Rule:
    """How long one kind of record is kept at least, and where that comes from."""

    jurisdiction: Jurisdiction
    record: Record
    keep_days: int
    source: str
    certainty: str

    def ends_before(self, now: datetime) -> datetime:
        """Return the instant before which records are past their time."""
        return now - timedelta(days=self.keep_days)


def read_rules(text: str) -> dict[tuple[Jurisdiction, Record], Rule]:
    """
    Return the rules of a file.

    Raises
    ------
    ValueError
        A rule is missing, there twice, or not a rule.
    """
    rules = {}
    for given in json.loads(text)["rules"]:
        rule = Rule(
            Jurisdiction(given["jurisdiction"]),
            Record(given["record"]),
            int(given["keep_days"]),
            str(given["source"]),
            str(given["certainty"]),
        )
        if (rule.jurisdiction, rule.record) in rules or rule.keep_days < 1 or not rule.source:
            raise ValueError(f"{given} is no rule, or there twice")
        rules[rule.jurisdiction, rule.record] = rule
    lacking = {(place, record) for place in Jurisdiction for record in Record} - rules.keys()
    if lacking:
        raise ValueError(f"there are no rules for {sorted(lacking)}")
    return rules
