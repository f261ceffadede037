"""Endpoints of forecasts."""

from collections import Counter
from typing import Annotated

from fastapi import Query

from rimekeep.access.dependencies import DispatcherDep, ReaderDep
from rimekeep.orders import queries, usecases
from rimekeep.orders.core.forecasts import ForecastRow, Given
from rimekeep.orders.routes.router import routes
from rimekeep.orders.schemas import forecasts as schemas
from rimekeep.platform.http import Now, SessionDep
from rimekeep.platform.paging import Page, PageDep
from rimekeep.platform.schemas import Id


@routes.post("/forecasts")
def give_forecasts(
    body: schemas.ForecastsIn, session: SessionDep, now: Now, caller: DispatcherDep
) -> schemas.ForecastsOut:
    """Say what is expected to be delivered; each row is stored or refused by itself."""
    rows = [ForecastRow(one.product_id, one.customer_id, one.day, one.cases) for one in body.forecasts]
    told = usecases.give_forecasts(session, now, caller, rows)
    counted = Counter(one.outcome for one in told)
    return schemas.ForecastsOut(
        **{word.value: counted[word] for word in Given},
        items=[schemas.GivenOut.model_validate(one) for one in told],
    )


@routes.get("/forecasts")
def list_forecasts(
    session: SessionDep,
    caller: ReaderDep,
    asked: PageDep,
    product_id: Annotated[Id | None, Query(description="Only those of this product.")] = None,
    customer_id: Annotated[Id | None, Query(description="Only those of this customer.")] = None,
    first: Annotated[schemas.Day | None, Query(description="Only from this day on.")] = None,
    last: Annotated[schemas.Day | None, Query(description="Only up to this day.")] = None,
) -> Page[schemas.ForecastOut]:
    """List the forecasts held."""
    found = queries.forecasts(
        caller.site_id, product_id=product_id, customer_id=customer_id, first=first, last=last
    )
    return asked.show(session, found, schemas.ForecastOut)
