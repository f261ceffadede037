"""Subscribe, and deliver the outbox to who subscribed."""

from rimekeep.alerts.usecases.deliver import Delivery, Outcome, note_outcome, take_due
from rimekeep.alerts.usecases.send import Sender
from rimekeep.alerts.usecases.subscribe import add_subscription, deactivate_subscription, resume_subscription

__all__ = [
    "Delivery",
    "Outcome",
    "Sender",
    "add_subscription",
    "deactivate_subscription",
    "note_outcome",
    "resume_subscription",
    "take_due",
]
