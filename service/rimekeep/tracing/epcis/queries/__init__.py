"""Reads of EPCIS events, and of what of the ledger is still to be told."""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from rimekeep.access.queries import site_of
from rimekeep.errors import missing
from rimekeep.platform.database import parts
from rimekeep.platform.journal import LedgerEvent, SiteHead
from rimekeep.stock.tables import Bay, Lot, Product, Unit, Zone
from rimekeep.tracing.epcis.core import names
from rimekeep.tracing.epcis.core.mapping import TOLD
from rimekeep.tracing.epcis.core.names import House
from rimekeep.tracing.epcis.core.records import Cases, Fact, Temperature
from rimekeep.tracing.epcis.core.states import CaptureState
from rimekeep.tracing.epcis.queries.pages import between as between
from rimekeep.tracing.epcis.queries.pages import last_event_id as last_event_id
from rimekeep.tracing.epcis.queries.pages import page as page
from rimekeep.tracing.epcis.tables import EpcisCapture, EpcisEvent, EpcisSite

_TAKEN = "unit.temperature-taken"


def epcis_site(session: Session, site_id: int, *, is_locked: bool = False) -> EpcisSite:
    """Return how a site speaks; as if nothing was ever said about it when nothing was."""
    found = session.get(EpcisSite, site_id, with_for_update=is_locked or None, populate_existing=is_locked)
    return found or EpcisSite(site_id=site_id)


def house(session: Session, site_id: int) -> House:
    """Return who speaks."""
    site, speaks = site_of(session, site_id), epcis_site(session, site_id)
    return House(site.code, site.company_prefix, speaks.gln, speaks.with_urns)


def known(session: Session, site_id: int, uids: Collection[str]) -> dict[tuple[str, str], str]:
    """Return the digests of the events that are there under these ids, by (id, when declared an error)."""
    found: dict[tuple[str, str], str] = {}
    for some in parts(uids):
        rows = session.execute(
            select(col(EpcisEvent.event_uid), col(EpcisEvent.declared), col(EpcisEvent.digest)).where(
                col(EpcisEvent.site_id) == site_id, col(EpcisEvent.event_uid).in_(some)
            )
        )
        found |= {(row[0], row[1]): row[2] for row in rows}
    return found


def capture(session: Session, site_id: int, capture_id: int, *, asked_by: int | None = None) -> EpcisCapture:
    """Return a document that was sent; ``asked_by`` leaves out those of others."""
    found = session.get(EpcisCapture, capture_id)
    if found is None or found.site_id != site_id or asked_by not in (None, found.asked_by):
        raise missing("capture", capture_id)
    return found


def waiting_captures(session: Session) -> list[int]:
    """Return the documents that wait, oldest first."""
    return list(
        session.scalars(
            select(col(EpcisCapture.id))
            .where(EpcisCapture.__table__.c.state == CaptureState.WAITING.value)  # type: ignore[attr-defined]
            .order_by(col(EpcisCapture.id))
        )
    )


def sites_with_news(session: Session) -> list[int]:
    """Return the sites whose ledger has events that were not told yet."""
    return list(
        session.scalars(
            select(col(SiteHead.site_id))
            .outerjoin(EpcisSite, col(EpcisSite.site_id) == col(SiteHead.site_id))
            .where(or_(col(EpcisSite.told_seq).is_(None), col(EpcisSite.told_seq) < col(SiteHead.event_seq)))
            .order_by(col(SiteHead.site_id))
        )
    )


def news(session: Session, site_id: int, after_seq: int, most: int) -> tuple[list[Fact], int]:
    """
    Return what the ledger says of goods after an event, at most ``most`` rows, and the last event it covers.

    Rows that are one fact come together: those of one transaction stand in a row, and a fact that the limit
    would cut in two is left for the next time.
    """
    rows = session.scalars(
        select(LedgerEvent)
        .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.seq) > after_seq)
        .order_by(col(LedgerEvent.seq))
        .limit(most)
    ).all()
    groups = [list(group) for _, group in groupby(rows, _same_fact)]
    if len(rows) == most and len(groups) > 1:
        groups.pop()
    last = groups[-1][-1].seq if groups else after_seq
    told = [group for group in groups if group[0].kind in TOLD]
    return (_facts(session, site_id, told) if told else []), last


def _same_fact(row: LedgerEvent) -> tuple[Any, ...]:
    # Only what is told of a whole unit is recorded lot by lot.
    return (row.kind, row.at, row.unit_id) if row.kind.startswith("unit.") else (row.seq,)


def _facts(session: Session, site_id: int, groups: Sequence[Sequence[LedgerEvent]]) -> list[Fact]:
    site = site_of(session, site_id)
    speaker = house(session, site_id)
    zone = ZoneInfo(site.time_zone)
    heads = [group[0] for group in groups]
    rows = [row for group in groups for row in group]
    classes = _classes(session, speaker, {row.lot_id for row in rows if row.lot_id is not None})
    unnamed = {row.unit_id for row in heads if row.unit_id is not None and "sscc" not in row.data}
    ssccs = _codes(session, col(Unit.id), col(Unit.sscc), unnamed)
    zones = _codes(session, col(Zone.id), col(Zone.code), _ids(heads, "zone_id"))
    bays = _codes(session, col(Bay.id), col(Bay.code), _ids(heads, "bay_id"))
    taken = _temperatures(session, site_id, [row for row in heads if row.kind == "unit.loaded"])
    return [_fact(group, zone, classes, ssccs, zones, bays, taken.get(group[0].seq)) for group in groups]


def _fact(
    group: Sequence[LedgerEvent],
    zone: ZoneInfo,
    classes: dict[int, str],
    ssccs: dict[int, str],
    zones: dict[int, str],
    bays: dict[int, str],
    taken: Temperature | None,
) -> Fact:
    head = group[0]
    at, data = head.at, head.data
    if head.kind == _TAKEN:
        taken = _temperature(head)
        at = taken.at
    elif head.kind == "lot.registered":
        at = datetime.fromisoformat(data["packaged_at"]).astimezone(UTC)
    return Fact(
        seq=head.seq,
        event_id=head.event_id,
        kind=head.kind,
        at=at,
        offset=_offset(at, zone),
        sscc=data.get("sscc") or ssccs.get(head.unit_id or 0),
        contents=tuple(Cases(classes[row.lot_id], row.cases) for row in group if row.lot_id is not None),
        zone=zones.get(data.get("zone_id") or 0),
        bay=bays.get(data.get("bay_id") or 0),
        temperature=taken,
        data=data,
    )


def _offset(at: datetime, zone: ZoneInfo) -> str:
    return at.astimezone(zone).isoformat()[-6:]


def _ids(rows: Sequence[LedgerEvent], name: str) -> set[int]:
    return {row.data[name] for row in rows if row.data.get(name) is not None}


def _codes(session: Session, key: Any, code: Any, ids: Collection[int]) -> dict[int, str]:
    found: dict[int, str] = {}
    for some in parts(ids):
        found |= {row[0]: row[1] for row in session.execute(select(key, code).where(key.in_(some)))}
    return found


def _classes(session: Session, speaker: House, lot_ids: Collection[int]) -> dict[int, str]:
    found: dict[int, str] = {}
    for some in parts(lot_ids):
        rows = session.execute(
            select(col(Lot.id), col(Product.gtin), col(Lot.code), col(Product.sku))
            .join(Product, col(Product.id) == col(Lot.product_id))
            .where(col(Lot.id).in_(some))
        )
        found |= {row[0]: names.lot_class(speaker, row[1], row[2], row[3]) for row in rows}
    return found


def _temperatures(session: Session, site_id: int, loaded: Sequence[LedgerEvent]) -> dict[int, Temperature]:
    """Return what was measured last of each unit before it was loaded, by the loading's number."""
    found: dict[int, Temperature] = {}
    if not loaded:
        return found
    of_unit: dict[int, list[LedgerEvent]] = {}
    for some in parts({row.unit_id for row in loaded if row.unit_id is not None}):
        for row in session.scalars(
            select(LedgerEvent)
            .where(col(LedgerEvent.site_id) == site_id, col(LedgerEvent.unit_id).in_(some))
            .where(col(LedgerEvent.kind) == _TAKEN)
        ):
            of_unit.setdefault(row.unit_id or 0, []).append(row)
    for row in loaded:
        # Not put in order by the database: SQLite would read the whole ledger in its order for it.
        before = [one for one in of_unit.get(row.unit_id or 0, ()) if one.seq < row.seq]
        if before:
            found[row.seq] = _temperature(max(before, key=lambda one: one.seq))
    return found


def _temperature(row: LedgerEvent) -> Temperature:
    data = row.data
    at = datetime.fromisoformat(data["measured_at"]).astimezone(UTC)
    return Temperature(data["temp_c"], data.get("probe", ""), at)
