"""How long the beer in a failing room has."""

from datetime import datetime
from typing import Literal, cast

from sqlalchemy.orm import Session

from rimekeep.climate.queries import zone_air
from rimekeep.excursions.core.outlook import Core, Outlook, soonest
from rimekeep.excursions.core.states import Side
from rimekeep.excursions.tables import Excursion, ExcursionRule
from rimekeep.shelflife.queries import cores_in_zone, profiles_by_id
from rimekeep.stock import queries as stock


def outlook(
    session: Session, now: datetime, row: Excursion, rule: ExcursionRule | None, air_c: float | None
) -> Outlook | None:
    """
    Return which core passes its limit first if the air stays as it is; None unless the air is outside now.

    For warmth the limit is the rule's own; for cold it is the product's freezing point, because cold air does
    no harm until the beer freezes.
    """
    if rule is None or row.ended_at is not None:
        return None
    if air_c is None:
        air_c = float(zone_air(session, row.site_id, row.zone_id, now, now).temp_c[-1])
    packs = cores_in_zone(session, row.site_id, row.zone_id, now)
    if rule.product_id is not None:
        sku = stock.product(session, row.site_id, rule.product_id).sku
        packs = [pack for pack in packs if pack.sku == sku]
    profiles = profiles_by_id(session, row.site_id, {pack.profile_id for pack in packs})
    is_warm = rule.side == Side.ABOVE
    cores = [
        Core(
            pack.sku,
            pack.tau_h,
            pack.core_c,
            rule.limit_c if is_warm else profiles[pack.profile_id].freezing_c,
            pack.cases,
        )
        for pack in packs
    ]
    return soonest(cores, air_c=air_c, side=cast(Literal["above", "below"], rule.side))
