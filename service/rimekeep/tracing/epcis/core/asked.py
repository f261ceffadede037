"""The parameters of the standard's simple event query, read and checked (EPCIS 2.0; clause not read)."""

import base64
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from rimekeep.errors import Fault, Malformed
from rimekeep.tracing.epcis.core import forms, names
from rimekeep.tracing.epcis.core.keys import word

MOST_PER_PAGE = 1000
PER_PAGE = 30  # as the standard's API description has it (from memory)
MOST_VALUES = 100
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class OrderBy(StrEnum):
    """By which of its times a list of events is ordered."""

    EVENT_TIME = "eventTime"
    RECORD_TIME = "recordTime"


@dataclass(frozen=True, slots=True)
class Asked:
    """
    What a query asks for.

    Attributes
    ----------
    times
        (order, True for from and False for before, instant).
    fields
        Columns of an event and the words one of which they must be.
    keys
        Roles a name may have, and the canonical names one of which must be there; each must be met.
    after
        (instant, id) of the last event of the page before.
    """

    times: tuple[tuple[OrderBy, bool, datetime], ...] = ()
    fields: tuple[tuple[str, tuple[str, ...]], ...] = ()
    keys: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = ()
    order_by: OrderBy = OrderBy.EVENT_TIME
    is_descending: bool = True
    per_page: int = PER_PAGE
    after: tuple[datetime, int] | None = None

    def token(self, at: datetime, event_id: int) -> str:
        """Return the token of the page after this event."""
        place = [
            self.order_by.value,
            self.is_descending,
            (at - _EPOCH) // timedelta(microseconds=1),
            event_id,
        ]
        return base64.urlsafe_b64encode(json.dumps(place).encode()).decode().rstrip("=")


_TIMES = {
    "GE_eventTime": (OrderBy.EVENT_TIME, True),
    "LT_eventTime": (OrderBy.EVENT_TIME, False),
    "GE_recordTime": (OrderBy.RECORD_TIME, True),
    "LT_recordTime": (OrderBy.RECORD_TIME, False),
}
_WORDS = {
    "eventType": "event_type",
    "EQ_action": "action",
    "EQ_bizStep": "biz_step",
    "EQ_disposition": "disposition",
}
_PLACES = {"EQ_readPoint": "read_point", "EQ_bizLocation": "biz_location"}
_EPCS = ("epc", "parentID", "inputEPC", "outputEPC")
_CLASSES = ("epcClass", "inputEPCClass", "outputEPCClass")
MATCHES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        **{f"MATCH_{role}": (role,) for role in (*_EPCS, *_CLASSES)},
        "MATCH_anyEPC": _EPCS,
        "MATCH_anyEPCClass": _CLASSES,
        "EQ_transformationID": ("transformationID",),
    }
)
_TYPED = ("EQ_bizTransaction_", "EQ_source_", "EQ_destination_")
_PAGING = ("orderBy", "orderDirection", "perPage", "nextPageToken")
# For the API's description, in the order of the standard.
KNOWN = (
    "eventType", *_TIMES, "EQ_action", "EQ_bizStep", "EQ_disposition", *_PLACES, *MATCHES, "EQ_eventID",
    "EQ_bizTransaction_po", "EQ_bizTransaction_desadv", "EQ_source_location", "EQ_destination_owning_party",
    *_PAGING,
)  # fmt: skip


def read_query(given: Iterable[tuple[str, str]]) -> Asked:
    """
    Read the parameters of a query, each once or repeated, several values with commas between them.

    Raises
    ------
    Malformed
        A parameter is not known, or its value cannot be meant; all faults are named.
    """
    reading = _Reading()
    values: dict[str, list[str]] = {}
    for name, value in given:
        values.setdefault(name, []).append(value)
    for name, found in values.items():
        reading.take(name, found)
    if reading.faults:
        raise Malformed("epcis-query", "The query cannot be answered as it is.", tuple(reading.faults))
    return reading.asked()


class _Reading:
    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self._times: list[tuple[OrderBy, bool, datetime]] = []
        self._fields: list[tuple[str, tuple[str, ...]]] = []
        self._keys: list[tuple[tuple[str, ...], tuple[str, ...]]] = []
        self._order_by = OrderBy.EVENT_TIME
        self._is_descending = True
        self._per_page = PER_PAGE
        self._token: str | None = None

    def asked(self) -> Asked:
        after = None if self._token is None else self._place(self._token)
        return Asked(
            tuple(self._times),
            tuple(self._fields),
            tuple(self._keys),
            self._order_by,
            self._is_descending,
            self._per_page,
            after,
        )

    def take(self, name: str, given: Sequence[str]) -> None:
        """Note one parameter."""
        if name in _TIMES or name in _PAGING:
            if len(given) > 1:
                self._wrong(name, "It is given twice.", "Give it once.")
            elif name in _TIMES:
                self._take_time(name, given[0])
            else:
                self._take_paging(name, given[0])
            return
        values = tuple(one for part in given for one in part.split(",") if one)
        if not values or len(values) > MOST_VALUES:
            self._wrong(name, f"There are {len(values)} values.", f"Give 1 to {MOST_VALUES}.")
        elif any("\x00" in one or not one.isprintable() or len(one) > forms.LONGEST_NAME for one in values):
            self._wrong(name, "A value is too long or holds control characters.", "Give plain names.")
        else:
            self._take_values(name, values)

    def _take_values(self, name: str, values: tuple[str, ...]) -> None:
        if name in _WORDS:
            self._fields.append((_WORDS[name], tuple(map(word, values))))
        elif name in _PLACES:
            self._fields.append((_PLACES[name], tuple(map(names.canonical, values))))
        elif name == "EQ_eventID":
            self._fields.append(("event_uid", values))
        elif name in MATCHES:
            if "Class" not in name and any(one.startswith("urn:epc:idpat:") for one in values):
                # A class may be called by a pattern, a thing may not.
                self._wrong(name, "Patterns are not searched for.", "Name whole identifiers.")
                return
            self._keys.append((MATCHES[name], tuple(map(names.canonical, values))))
        elif (start := next((one for one in _TYPED if name.startswith(one)), None)) is not None:
            role = f"{start.removeprefix('EQ_')}{word(name.removeprefix(start))}"
            self._keys.append(((role,), tuple(map(names.canonical, values))))
        else:
            self._wrong(name[:60], "The parameter is not known here.", f"Known are {', '.join(KNOWN)}.")

    def _take_time(self, name: str, value: str) -> None:
        order, is_from = _TIMES[name]
        try:
            # A plus sign that was not escaped comes as a blank.
            self._times.append((order, is_from, forms.instant(value.replace(" ", "+"))))
        except ValueError:
            mend = "Use RFC 3339 with an offset: 2026-03-01T06:00:00Z."
            self._wrong(name, f"{forms.brief(value)} is no instant.", mend)

    def _take_paging(self, name: str, value: str) -> None:
        if name == "nextPageToken":
            self._token = value
        elif name == "orderBy":
            if value in list(OrderBy):
                self._order_by = OrderBy(value)
            else:
                self._wrong(name, f"{forms.brief(value)} is no order.", "Use eventTime or recordTime.")
        elif name == "orderDirection":
            self._is_descending = value == "DESC"
            if value not in ("ASC", "DESC"):
                self._wrong(name, f"{forms.brief(value)} is no direction.", "Use ASC or DESC.")
        elif value.isascii() and value.isdigit() and len(value) < 6 and 1 <= int(value) <= MOST_PER_PAGE:
            self._per_page = int(value)
        else:
            self._wrong(name, f"{forms.brief(value)} will not do.", f"Give 1 to {MOST_PER_PAGE}.")

    def _place(self, token: str) -> tuple[datetime, int]:
        try:
            found = json.loads(base64.urlsafe_b64decode(token + "=" * (-len(token) % 4)))
            order_by, is_descending, at_us, event_id = found
            if (order_by, is_descending) != (self._order_by.value, self._is_descending):
                raise ValueError(token)
            if type(at_us) is not int or type(event_id) is not int or not 0 <= event_id < 2**63:
                raise ValueError(token)
            return _EPOCH + timedelta(microseconds=at_us), event_id
        except (ValueError, TypeError, OverflowError, RecursionError):
            fault = Fault(
                "nextPageToken",
                "This is no token of this query.",
                "Follow the Link of the page before, or leave it out for the first.",
            )
            raise Malformed("epcis-query", "The query cannot be answered as it is.", (fault,)) from None

    def _wrong(self, where: str, detail: str, mend: str) -> None:
        self.faults.append(Fault(where or "''", detail, mend))
