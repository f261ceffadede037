"""The commands that keep what there is: backup, restore, export."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from builders.api import Api
from rimekeep.platform.database import Database


def run(url: str, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "ignore", "-m", "rimekeep.cli", *words]
    return subprocess.run(
        command, env={**os.environ, "RIMEKEEP_DATABASE_URL": url}, capture_output=True, text=True, check=False
    )


@pytest.mark.slow
@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_what_was_backed_up_is_restored_checked_and_given_out(
    api: Api, database: Database, database_url: str, tmp_path: Path
) -> None:
    file, target = str(tmp_path / "backup"), f"sqlite:///{tmp_path / 'target.sqlite3'}"
    made = run(database_url, "backup", file, "--json")
    assert made.returncode == 0, made.stderr
    restored = run(target, "restore", file, "--json")
    assert (restored.returncode, json.loads(restored.stdout)) == (0, json.loads(made.stdout))
    out = tmp_path / "out"
    assert run(target, "export", "NORTH", str(out), "--form", "csv").returncode == 0
    assert (out / "principal.csv").read_text(encoding="utf-8").count("\n") == 8
    unknown = run(target, "export", "SOUTH", str(tmp_path / "other"))
    assert (unknown.returncode, "NORTH" in unknown.stderr) == (2, True)
    assert not (tmp_path / "other").exists()
    (tmp_path / "backup").write_bytes(b"PK")
    broken = run(f"sqlite:///{tmp_path / 'third.sqlite3'}", "restore", file)
    assert (broken.returncode, "not a whole backup" in broken.stderr) == (1, True)
