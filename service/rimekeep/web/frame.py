"""What the frame of every page leads to."""

from dataclasses import dataclass


def _(text: str) -> str:
    """Mark a text for the catalogues; it is translated where it is shown."""
    return text


@dataclass(frozen=True, slots=True)
class Place:
    """A page in the frame: its address and its name."""

    address: str
    name: str

    def is_here(self, path: str) -> bool:
        """Tell whether ``path`` is this page or one below it."""
        return path == self.address or (self.address != "/" and path.startswith(f"{self.address}/"))


PLACES = (
    Place("/", _("Today")),
    Place("/pick", _("Pick")),
    Place("/loads", _("Loads")),
    Place("/cold", _("Cold")),
    Place("/trace", _("Trace")),
    Place("/setup", _("Setup")),
    Place("/help", _("Help")),
)
