"""Many guesses at somebody's password at the same moment, by signing, on both databases."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

from sqlalchemy.exc import OperationalError

from builders.api import Api
from builders.grounds import Clock
from rimekeep.access.core.roles import Caller, Role
from rimekeep.access.usecases import accept_invitation, confirm_identity
from rimekeep.errors import Forbidden, TooSoon
from rimekeep.platform.database import Database

GOOD, GUESSERS = "kept at two degrees", 8


def test_guesses_at_one_moment_are_counted_before_they_are_looked_at(
    api: Api, database: Database, clock: Clock
) -> None:
    """No source for how many are free; that none slips past is what counting is for."""
    made = api.made("/v1/invitations", {"name": "Nora", "roles": ["qa"], "login": "nora@example.com"})
    with database.transaction() as session:
        accept_invitation(session, clock.now, code=made["code"], password=GOOD)
    site = api.callers["qa"].site_id
    nora = Caller(int(made["principal_id"]), site, "Nora", frozenset({Role.QA}))
    together = Barrier(GUESSERS)

    def sign(proof: str) -> str:
        while True:
            try:
                with database.transaction() as session:
                    confirm_identity(session, clock.now, nora, proof)
            except (Forbidden, TooSoon) as refusal:
                return refusal.code
            except OperationalError:
                continue  # the machine was so busy that its turn did not come; it was not looked at either
            return "signed"

    def guess(number: int) -> str:
        together.wait()
        return sign(f"guess {number}")

    with ThreadPoolExecutor(GUESSERS) as threads:
        told = Counter(threads.map(guess, range(GUESSERS)))
    assert told == {"signature-not-confirmed": 5, "too-many-tries": GUESSERS - 5}
    assert sign(GOOD) == "too-many-tries"
    clock.now += timedelta(seconds=2)
    assert sign(GOOD) == "signed"
    # A right one lets the failures before be forgotten, though what was signed for is refused afterwards.
    assert [sign("wrong") for _ in range(4)] == ["signature-not-confirmed"] * 4
    try:
        with database.transaction() as session:
            confirm_identity(session, clock.now, nora, GOOD)
            raise RuntimeError("refused for another reason")
    except RuntimeError:
        assert [sign("wrong") for _ in range(5)] == ["signature-not-confirmed"] * 5
