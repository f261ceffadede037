"""What customers were delivered, against what they say became of it, to the case."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from rimekeep.tracing.recall.core.states import CustomerState


@dataclass(frozen=True, slots=True)
class Answer:
    """
    What a customer said last became of what they were delivered.

    Attributes
    ----------
    held
        Cases they still have and keep back; these are outstanding. [cases]
    sold_on
        Cases they sold on or used up. [cases]
    returned, destroyed
        Cases they sent back, and cases destroyed at their place. [cases]
    explanation
        Why the rest cannot be told of; empty: it can, or nobody has said.
    """

    held: int = 0
    sold_on: int = 0
    returned: int = 0
    destroyed: int = 0
    explanation: str = ""

    @property
    def settled(self) -> int:
        """Return the cases whose end is known."""
        return self.sold_on + self.returned + self.destroyed


@dataclass(frozen=True, slots=True)
class Balance:
    """
    A customer's part in a recall; ``outstanding`` is what nobody can tell the end of.

    ``taken_back`` are the cases of those ``delivered`` that stand in the store again since the recall began:
    the same that the customer says they sent back, so the larger of the two counts. Below nought, more is
    told of than was delivered, and the customer is asked again. [cases]

    Examples
    --------
    >>> Balance(96, Answer(sold_on=40, returned=50)).outstanding
    6
    >>> Balance(96, Answer(sold_on=40, returned=50), taken_back=56).outstanding
    0
    """

    delivered: int
    answer: Answer | None
    taken_back: int = 0

    @property
    def returned(self) -> int:
        """Return the cases that are back, or on their way back by the customer's word."""
        return max(self.taken_back, 0 if self.answer is None else self.answer.returned)

    @property
    def outstanding(self) -> int:
        """Return delivered less returned, destroyed and sold on."""
        said = 0 if self.answer is None else self.answer.sold_on + self.answer.destroyed
        return self.delivered - self.returned - said

    @property
    def is_done(self) -> bool:
        """Tell whether nothing is outstanding, or the rest is explained."""
        return self.outstanding == 0 or (self.answer is not None and bool(self.answer.explanation))


def state_of(
    balance: Balance, *, notified_at: datetime | None, due_at: datetime | None, now: datetime
) -> CustomerState:
    """Return how far a recall is with a customer."""
    if balance.outstanding == 0:
        return CustomerState.RECONCILED
    if balance.is_done:
        return CustomerState.EXPLAINED
    if balance.answer is not None:
        return CustomerState.ANSWERED
    if due_at is not None and now >= due_at:
        return CustomerState.OVERDUE
    return CustomerState.TO_NOTIFY if notified_at is None else CustomerState.NOTIFIED


def due_at(
    started_at: datetime | None, notified_at: datetime | None, answer_within_s: int | None
) -> datetime | None:
    """Return when a customer's answer is due: so long after they were last told, or else after the start."""
    begun_at = notified_at or started_at
    if begun_at is None or answer_within_s is None:
        return None
    return begun_at + timedelta(seconds=answer_within_s)


@dataclass(frozen=True, slots=True)
class Totals:
    """All customers together: delivered = returned + destroyed + sold on + outstanding. [cases]"""

    delivered: int
    returned: int
    destroyed: int
    sold_on: int
    held: int
    outstanding: int


def totals(balances: Iterable[Balance]) -> Totals:
    """Return the sums over all customers."""
    known = list(balances)
    answers = [one.answer for one in known if one.answer is not None]
    return Totals(
        delivered=sum(one.delivered for one in known),
        returned=sum(one.returned for one in known),
        destroyed=sum(one.destroyed for one in answers),
        sold_on=sum(one.sold_on for one in answers),
        held=sum(one.held for one in answers),
        outstanding=sum(one.outstanding for one in known),
    )


@dataclass(frozen=True, slots=True)
class Accounted:
    """
    How much of what a recall reaches is accounted for.

    Attributes
    ----------
    made
        Cases the lots' packaging runs made; of touched stock, the cases touched. [cases]
    here
        Cases on units at the site or on the road without a customer. [cases]
    delivered
        Cases with a customer, or on the way to one. [cases]
    adjusted
        Adjustments with a reason: negative for what was broken or missing. [cases]
    """

    made: int
    here: int
    delivered: int
    adjusted: int

    @property
    def missing(self) -> int:
        """Return the cases nobody can tell of; negative: more than there should be."""
        return self.made + self.adjusted - self.here - self.delivered

    @property
    def share(self) -> float:
        """
        Return the share that is accounted for, 0 to 1; a surplus counts against it as a lack does.

        Examples
        --------
        >>> Accounted(made=100, here=40, delivered=50, adjusted=-5).share
        0.95
        """
        if self.made <= 0:
            return 1.0 if self.missing == 0 else 0.0
        return max(0.0, 1.0 - abs(self.missing) / self.made)
