"""The invented demo, told once per test run and copied for whoever needs a store with a day's work in it."""

import fcntl
import json
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rimekeep.cli.demo.files import Scenario, find_folder
from rimekeep.cli.demo.load import load
from rimekeep.cli.demo.story import tell
from rimekeep.cli.output import out
from rimekeep.platform.database import Database
from rimekeep.platform.migrate import upgrade
from rimekeep.platform.settings import load_settings


@dataclass(frozen=True)
class Demo:
    """A told demo: its SQLite file and its tokens by role ("lead")."""

    file: Path
    tokens: dict[str, str]

    def copied_to(self, folder: Path) -> str:
        """Copy it; return the copy's database URL."""
        copy = folder / "demo.sqlite3"
        shutil.copyfile(self.file, copy)
        return f"sqlite:///{copy}"


def told_demo(shared: Path) -> Demo:
    """Return the demo kept in a folder that all test processes of a run share; the first to come tells it."""
    file, tokens = shared / "demo.sqlite3", shared / "demo.json"
    with (shared / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not tokens.exists():
            database = Database(load_settings(database_url=f"sqlite:///{file}", compute_workers=0))
            upgrade(database.engine)
            scenario = Scenario(find_folder(), datetime.now(UTC))
            with out.capture():
                team = load(database, scenario)
                tell(database, scenario, team)
            database.dispose()
            tokens.write_text(json.dumps({name.split()[0]: token for name, token in team.tokens.items()}))
    return Demo(file, json.loads(tokens.read_text()))
