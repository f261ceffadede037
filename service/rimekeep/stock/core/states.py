"""The words for states and kinds of stock."""

from enum import StrEnum


class Package(StrEnum):
    """What the beer is in."""

    KEG = "keg"
    BOTTLE = "bottle"
    CAN = "can"


class Footprint(StrEnum):
    """Pallet footprint in millimetres."""

    EUR = "800x1200"
    ISO = "1000x1200"
    HALF = "600x800"


class ZoneKind(StrEnum):
    """What a zone is for."""

    STORE = "store"
    STAGING = "staging"
    DOCK = "dock"
    VEHICLE = "vehicle"
    # Stands for the places of customers, whose air nobody measures; nothing is ever put there.
    CUSTOMER = "customer"


# Where people walk and units stand.
ROOMS = (ZoneKind.STORE, ZoneKind.STAGING, ZoneKind.DOCK)


class BayRole(StrEnum):
    """What a bay is for."""

    BULK = "bulk"
    PICK = "pick"


class QaState(StrEnum):
    """QA's word on a lot or a unit; only what both release may be picked."""

    HELD = "held"
    RELEASED = "released"
    REJECTED = "rejected"


class UnitState(StrEnum):
    """Where a unit is in its life at the site."""

    IN_STORE = "in_store"
    PICKED = "picked"
    LOADED = "loaded"
    DEPARTED = "departed"
    EMPTY = "empty"


# Units the site still answers for; what has departed or is empty ages no more here.
HERE = (UnitState.IN_STORE, UnitState.PICKED, UnitState.LOADED)
