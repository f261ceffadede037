"""What somebody typed into an address or a form without script, read kindly."""

from datetime import date


def day_of(text: str) -> date | None:
    """Return the day a text names as ISO 8601 does; None: it names none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
