"""Who is sent alerts, and what was sent."""

from typing import Annotated, Any

from fastapi import Query, Request, Response

from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.dependencies import AdminDep, TokenGiverDep, admits
from rimekeep.alerts import queries, schemas, usecases
from rimekeep.alerts.routes.router import routes
from rimekeep.platform.conditions import CONDITIONAL, ConditionDep, tagged
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id

OverseerDep = Annotated[Caller, admits(Role.QA, Role.LEAD, Role.AUDITOR)]
Seq = Annotated[int, Query(ge=0, le=2**63 - 1)]


@routes.post("/subscriptions", status_code=201)
def add_subscription(
    body: schemas.SubscriptionIn, session: SessionDep, now: Now, caller: TokenGiverDep, request: Request
) -> schemas.NewSubscriptionOut:
    """Subscribe a receiver to what is announced from now on; its secret is in the answer, once."""
    said = body.model_dump(exclude={"quiet_from", "quiet_until"})
    added = usecases.add_subscription(
        session,
        now,
        caller,
        **said,
        quiet_hours=usecases.quiet_hours_of(body.quiet_from, body.quiet_until),
        is_private_allowed=request.app.state.settings.webhook_allow_private,
    )
    return _with_secret(added)


def _with_secret(found: Any) -> schemas.NewSubscriptionOut:
    return schemas.NewSubscriptionOut(
        subscription=schemas.SubscriptionOut.model_validate(found), secret=found.secret
    )


@routes.get("/subscriptions")
def list_subscriptions(
    session: SessionDep, caller: OverseerDep, asked: PageDep
) -> Page[schemas.SubscriptionOut]:
    """List the receivers and where their deliveries stand."""
    return asked.show(session, queries.subscriptions(caller.site_id), schemas.SubscriptionOut)


@routes.get("/subscriptions/{subscription_id}")
def show_subscription(
    subscription_id: Id, session: SessionDep, caller: OverseerDep
) -> schemas.SubscriptionOut:
    """Show one receiver."""
    return schemas.SubscriptionOut.model_validate(
        queries.subscription(session, caller.site_id, subscription_id)
    )


@routes.get("/subscriptions/{subscription_id}/wanted")
def show_wanted(
    subscription_id: Id, session: SessionDep, caller: OverseerDep, response: Response
) -> schemas.WantedOut:
    """Show what a receiver is sent, and when."""
    found = queries.subscription(session, caller.site_id, subscription_id)
    return tagged(response, schemas.WantedOut, found)


@routes.patch("/subscriptions/{subscription_id}/wanted", responses=CONDITIONAL)
def change_wanted(
    subscription_id: Id,
    body: schemas.WantedIn,
    session: SessionDep,
    now: Now,
    caller: AdminDep,
    condition: ConditionDep,
    response: Response,
) -> schemas.WantedOut:
    """Change what a receiver is sent from now on, and when."""
    found = queries.subscription(session, caller.site_id, subscription_id, is_locked=True)
    condition.require(schemas.WantedOut, found)
    changes = body.model_dump(exclude_unset=True, exclude={"reason"})
    usecases.change_wanted(session, now, caller, found, reason=body.reason, changes=changes)
    return tagged(response, schemas.WantedOut, found)


@routes.delete("/subscriptions/{subscription_id}")
def deactivate_subscription(
    subscription_id: Id, session: SessionDep, now: Now, caller: AdminDep
) -> schemas.SubscriptionOut:
    """Send a receiver nothing more; what was sent to it stays on record."""
    stopped = usecases.deactivate_subscription(session, now, caller, subscription_id)
    return schemas.SubscriptionOut.model_validate(stopped)


@routes.post("/subscriptions/{subscription_id}/resume")
def resume_subscription(
    subscription_id: Id, session: SessionDep, now: Now, caller: AdminDep
) -> schemas.SubscriptionOut:
    """Go on where a receiver's deliveries stopped."""
    resumed = usecases.resume_subscription(session, now, caller, subscription_id)
    return schemas.SubscriptionOut.model_validate(resumed)


@routes.post("/subscriptions/{subscription_id}/secret")
def rotate_secret(
    subscription_id: Id, session: SessionDep, now: Now, caller: TokenGiverDep
) -> schemas.NewSubscriptionOut:
    """Give a webhook a new secret; for a day the one before signs beside it (a second signature)."""
    return _with_secret(usecases.rotate_secret(session, now, caller, subscription_id))


@routes.post("/subscriptions/{subscription_id}/test", status_code=202)
def send_test(subscription_id: Id, session: SessionDep, now: Now, caller: AdminDep) -> schemas.LetterOut:
    """Send a receiver a test, after what waits for it; what became of it is among its attempts."""
    return schemas.LetterOut.model_validate(usecases.send_test(session, now, caller, subscription_id))


@routes.get("/subscriptions/{subscription_id}/letters")
def list_letters(
    subscription_id: Id,
    session: SessionDep,
    caller: OverseerDep,
    asked: PageDep,
    is_waiting: Annotated[bool | None, Query(description="Only what is, or is not, to be sent.")] = None,
) -> Page[schemas.LetterOut]:
    """List the messages to a receiver, those that wait and those it took."""
    found = queries.subscription(session, caller.site_id, subscription_id)
    return asked.show(
        session, queries.letters(caller.site_id, found.id, is_waiting=is_waiting), schemas.LetterOut
    )


@routes.get("/subscriptions/{subscription_id}/attempts")
def list_attempts(
    subscription_id: Id,
    session: SessionDep,
    caller: OverseerDep,
    asked: PageDep,
    message_seq: Annotated[
        Seq | None, Query(description="Only attempts whose newest notice has this number.")
    ] = None,
    letter_id: Annotated[Seq | None, Query(description="Only attempts to deliver this message.")] = None,
) -> Page[schemas.AttemptOut]:
    """List every attempt to deliver something to a receiver, and what it answered."""
    found = queries.subscription(session, caller.site_id, subscription_id)
    listing = queries.attempts(caller.site_id, found.id, message_seq=message_seq, letter_id=letter_id)
    return asked.show(session, listing, schemas.AttemptOut)
