"""The parts of setting up, as the overview leads to them."""

from dataclasses import dataclass


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class Part:
    """A part of setting up: where it is, what is said there, and which of `queries.counts` it has."""

    address: str
    name: str
    about: str
    count: str | None = None


# In the order in which an empty store is filled.
PARTS = (
    Part("/setup/start", _("First steps"), _("From empty to the first pick list, step by step.")),
    Part("/setup/imports", _("Imports"), _("Files read in, shown before anything is stored.")),
    Part("/setup/sites", _("Site"), _("Name, time zone, currency, which promise customers get.")),
    Part(
        "/setup/zones",
        _("Zones and bays"),
        _("Rooms, how cold they are meant to be, aisles and bays."),
        "zones",
    ),
    Part(
        "/setup/products", _("Products"), _("Cases and pallets, masses, what one may stand on."), "products"
    ),
    Part(
        "/setup/profiles",
        _("Ageing profiles"),
        _("How each product goes off, version by version."),
        "profiles",
    ),
    Part(
        "/setup/customers",
        _("Customers"),
        _("How fresh they want it, where they take it in, whom to call."),
        "customers",
    ),
    Part(
        "/setup/vehicles",
        _("Vehicles"),
        _("Axles, limits, deck, doors and cooling, as on the plate."),
        "vehicles",
    ),
    Part("/setup/people", _("People"), _("Who works here, as what, and how they come in.")),
    Part("/setup/devices", _("Devices"), _("Handhelds and gateways, and their tokens.")),
    Part("/setup/subscriptions", _("Alerts"), _("Who is told what, when, and who is on call.")),
)
