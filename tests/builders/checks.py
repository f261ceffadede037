"""Published and independently computed values that tests hold the code against; see fixtures/checks/SOURCE.md."""

import json
from pathlib import Path
from typing import Any

CHECKS = Path(__file__).resolve().parents[2] / "fixtures" / "checks"


def records(name: str, *kinds: str) -> list[dict[str, Any]]:
    """Return the records of one check file, of the kinds asked for (all when none is); never an empty list."""
    found = json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))["records"]
    chosen = [record for record in found if not kinds or record["inputs"]["kind"] in kinds]
    if not chosen:
        raise LookupError(f"no record of {kinds} in {name}.json")
    return chosen


def by_id(record: dict[str, Any]) -> str:
    """Return the name a parametrised test shows for a record."""
    return str(record["id"])
