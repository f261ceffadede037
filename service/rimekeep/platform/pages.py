"""Pages made on the server: one way to set up templates, for every feature that prints or shows something."""

import base64
import hashlib
from datetime import datetime
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined


def templates_of(package: str) -> Environment:
    """Return the templates of a package: escaped unless marked safe, and with no name left undefined."""
    templates = Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters.update(at=_at, ago=_ago)
    return templates


def print_policy(style: str) -> str:
    """Return the content security policy of a sheet that carries its own style and loads nothing else."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return (
        "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
        f"style-src 'sha256-{digest}'"
    )


def _at(value: datetime | None, zone: ZoneInfo, style: str = "%d %b %H:%M") -> str:
    return "–" if value is None else value.astimezone(zone).strftime(style)


def _ago(age_s: int | None) -> str:
    if age_s is None:
        return "never"
    minutes = age_s // 60
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h ago" if minutes < 2880 else f"{minutes // 1440} days ago"
