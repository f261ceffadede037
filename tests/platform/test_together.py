"""Writers that wait share a transaction: one commit for all, each answered for itself, none before the commit."""

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from rimekeep.platform.database import Database, is_away
from rimekeep.platform.together import MOST, Together

Work = Callable[[Session], str]


@pytest.fixture(autouse=True)
def notes(database: Database) -> None:
    with database.engine.begin() as connection:
        connection.execute(text("CREATE TABLE note (said VARCHAR PRIMARY KEY)"))


def noting(said: str) -> Work:
    def work(session: Session) -> str:
        session.execute(text("INSERT INTO note VALUES (:said)"), {"said": said})
        return said

    return work


def noted(database: Database) -> set[str]:
    with database.transaction(readonly=True) as session:
        return set(session.scalars(text("SELECT said FROM note")))


def while_one_is_at_it(database: Database, works: list[Work]) -> list[Future[str]]:
    """Let works come while another one is in its transaction; return what became of each, in order."""
    together = Together(database.transaction, is_away)
    is_in, may_go = threading.Event(), threading.Event()

    def first(session: Session) -> str:
        is_in.set()
        assert may_go.wait(60)
        return noting("first")(session)

    with ThreadPoolExecutor(len(works) + 1) as pool:
        begun = pool.submit(together.run, first)
        assert is_in.wait(60)
        futures = []
        for count, work in enumerate(works, 1):
            futures.append(pool.submit(together.run, work))
            deadline = time.monotonic() + 60
            while len(together._waiting) < count:
                assert time.monotonic() < deadline
                time.sleep(0.001)
        may_go.set()
        assert begun.result(60) == "first"
    return futures


def test_all_who_wait_share_one_commit(database: Database) -> None:
    commits: list[int] = []
    event.listen(database.engine, "commit", lambda _: commits.append(1))
    futures = while_one_is_at_it(database, [noting(f"n{n}") for n in range(MOST)])
    assert [one.result() for one in futures] == [f"n{n}" for n in range(MOST)]
    assert len(commits) == 2
    assert noted(database) == {"first", *(f"n{n}" for n in range(MOST))}


def test_more_than_fit_into_one_transaction_are_all_done(database: Database) -> None:
    names = [f"n{n}" for n in range(2 * MOST + 1)]
    futures = while_one_is_at_it(database, [noting(name) for name in names])
    assert [one.result() for one in futures] == names
    assert noted(database) == {"first", *names}


def test_one_that_fails_takes_nothing_from_those_beside_it(database: Database) -> None:
    def failing(session: Session) -> str:
        noting("half")(session)
        raise ValueError("mine alone")

    good, bad, better, twice = while_one_is_at_it(
        database, [noting("good"), failing, noting("better"), noting("good")]
    )
    assert (good.result(), better.result()) == ("good", "better")
    with pytest.raises(ValueError, match="mine alone"):
        bad.result()
    with pytest.raises(Exception, match=r"(?i)unique"):
        twice.result()
    assert noted(database) == {"first", "good", "better"}


def test_nobody_is_told_it_was_done_when_the_commit_fails(database: Database) -> None:
    commits: list[int] = []

    def fail_the_second(_: object) -> None:
        commits.append(1)
        if len(commits) == 2:
            raise OperationalError("COMMIT", None, Exception("disk full"))

    event.listen(database.engine, "commit", fail_the_second)
    futures = while_one_is_at_it(database, [noting("a"), noting("b")])
    for one in futures:
        with pytest.raises(OperationalError, match="disk full"):
            one.result()
    assert noted(database) == {"first"}


def test_after_a_failure_the_next_one_is_served(database: Database) -> None:
    together = Together(database.transaction, is_away)

    def failing(_: Session) -> str:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        together.run(failing)
    assert together.run(noting("next")) == "next"
    assert noted(database) == {"next"}
