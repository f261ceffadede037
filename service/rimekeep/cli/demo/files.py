"""Read the invented scenario and move it in time so that it ends now."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import rimekeep
from rimekeep.errors import Fault, Invalid, invalid
from rimekeep.platform.csvfile import Column, Rows, read_rows

# When the scenario's files begin and end.
SCENARIO_START = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
SCENARIO_END = datetime(2026, 3, 16, 5, 0, tzinfo=UTC)
STEP = timedelta(minutes=10)
DAY = timedelta(days=1)
# From 05:00 of this day of the files to 05:00 of the next, nothing went wrong.
ORDINARY_DAY = datetime(2026, 3, 6, 5, 0, tzinfo=UTC)
DEAD_SENSOR = "dock-1"
ZONE = ZoneInfo("Europe/Prague")


def find_folder() -> Path:
    """Return the scenario's folder of a source checkout."""
    for root in (Path.cwd(), *Path(rimekeep.__file__).resolve().parents):
        if (root / "fixtures" / "demo" / "products.csv").is_file():
            return root / "fixtures" / "demo"
    raise invalid(
        "--fixtures", "The demo's files are not here.", "Run it in a source checkout, or name fixtures/demo."
    )


class Scenario:
    """
    The files of the scenario, moved by whole days so that they end at the last 05:00 UTC.

    From there to now the rooms repeat an ordinary day of the files, so that a demo started at any hour has
    sensors that talk.
    """

    def __init__(self, folder: Path, now: datetime) -> None:
        """Read from ``folder``; the story is told at the last full ten minutes before ``now``."""
        self.folder = folder
        self.shift = (now - SCENARIO_END) // DAY * DAY
        self.start = SCENARIO_START + self.shift
        self.end = SCENARIO_END + self.shift + (now - SCENARIO_END - self.shift) // STEP * STEP
        # Days follow the store's calendar, not UTC's.
        self.days = self.end.astimezone(ZONE).date() - SCENARIO_END.astimezone(ZONE).date()

    def moved(self, value: object) -> object:
        """Move a day or an instant; leave everything else."""
        if isinstance(value, datetime):
            return value + self.shift
        return value + self.days if isinstance(value, date) else value

    def rows(self, name: str, columns: tuple[Column, ...]) -> Rows:
        """Read one CSV file; the demo's own files must be without fault."""
        rows = read_rows((self.folder / name).read_bytes(), columns)
        if rows.faults:
            faults = tuple(Fault(f"{name} line {f.line} {f.column}", f.detail, f.mend) for f in rows.faults)
            raise Invalid("bad-rows", "The demo's files cannot be read.", faults)
        rows.rows = [
            replace(row, values={key: self.moved(v) for key, v in row.values.items()}) for row in rows.rows
        ]
        return rows

    def readings(self, columns: tuple[Column, ...]) -> list[tuple[str, datetime, float]]:
        """Return all readings up to the story's present: sensor, instant, air."""
        said = []
        since_end = self.end - SCENARIO_END - self.shift
        again = SCENARIO_END + self.shift - ORDINARY_DAY
        for row in self.rows("readings.csv", columns).rows:
            sensor, at, temp_c = str(row.values["sensor"]), row.values["at"], row.values["temp_c"]
            assert isinstance(at, datetime)
            assert isinstance(temp_c, float)
            said.append((sensor, at, temp_c))
            told_at = at - self.shift
            if sensor != DEAD_SENSOR and ORDINARY_DAY < told_at <= ORDINARY_DAY + since_end:
                said.append((sensor, told_at + again, temp_c))
        return said

    def document(self, name: str) -> list[dict[str, Any]]:
        """Read one JSON file."""
        content: list[dict[str, Any]] = json.loads((self.folder / name).read_text(encoding="utf-8"))
        return content
