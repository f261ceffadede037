"""The rush that is printed as a figure, in small: nothing is oversold or lost, and the judge does see it when it is."""

from __future__ import annotations

import pytest
from sqlalchemy import text

from builders.postgres import PostgresServer
from rimekeep.cli.bench import rush
from rimekeep.cli.bench.ground import ground


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_rush_on_a_server_that_is_killed_sells_nothing_twice_and_loses_nothing(
    kind: str, postgres: PostgresServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rush, "KILL_EVERY_S", (1.0, 2.0))
    name = postgres.create()
    with ground(None if kind == "sqlite" else postgres.url(name)) as place:
        tally = rush.run(place, calls=400)
        assert tally.is_clean, tally
        assert tally.calls > 200
        assert tally.kills >= 1
        assert tally.repeats >= 1
        # What the judge is for: cases that were picked and not told, told and not picked, told twice.
        pickers: list[rush.Client] = []
        silent = rush.Tally()
        rush._judge(place, pickers, silent)
        assert (silent.lost_picks > 0, silent.is_clean) == (True, False)
        with place.database.transaction() as session:
            session.execute(text("UPDATE lot SET cases_made = 1"))
            oversold = rush.Tally()
            session.flush()
        rush._judge(place, pickers, oversold)
        assert oversold.oversold_cases > 0
    postgres.drop(name)
