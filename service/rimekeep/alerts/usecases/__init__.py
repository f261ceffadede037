"""Subscribe, sort the outbox into alerts, deliver them to who subscribed, and follow them up."""

from rimekeep.alerts.usecases.answer import acknowledge_alert, follow_up
from rimekeep.alerts.usecases.deliver import Delivery, Outcome, note_outcome, take_due
from rimekeep.alerts.usecases.forget import forget_letters
from rimekeep.alerts.usecases.gather import sort_outbox
from rimekeep.alerts.usecases.mail import Post
from rimekeep.alerts.usecases.plan import set_alert_plan
from rimekeep.alerts.usecases.send import Sender
from rimekeep.alerts.usecases.subscribe import (
    add_subscription,
    change_wanted,
    deactivate_subscription,
    quiet_hours_of,
    resume_subscription,
    rotate_secret,
    send_test,
)

__all__ = [
    "Delivery",
    "Outcome",
    "Post",
    "Sender",
    "acknowledge_alert",
    "add_subscription",
    "change_wanted",
    "deactivate_subscription",
    "follow_up",
    "forget_letters",
    "note_outcome",
    "quiet_hours_of",
    "resume_subscription",
    "rotate_secret",
    "send_test",
    "set_alert_plan",
    "sort_outbox",
    "take_due",
]
