"""What the ledger says, made ready to be told."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

Event = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Cases:
    """Cases of one lot; ``epc_class`` is the lot's name. ``cases`` None: all there are."""

    epc_class: str
    cases: int | None


@dataclass(frozen=True, slots=True)
class Temperature:
    """A temperature taken of a unit, the probe's label and when."""

    temp_c: float
    probe: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Fact:
    """
    One fact of the ledger: one or more of its rows, of the same kind, unit and instant.

    ``zone`` and ``bay`` are where it left things, None where that is not said.
    """

    seq: int
    event_id: str
    kind: str
    at: datetime
    offset: str
    sscc: str | None = None
    contents: tuple[Cases, ...] = ()
    zone: str | None = None
    bay: str | None = None
    temperature: Temperature | None = None
    data: Mapping[str, Any] = field(default_factory=dict)
