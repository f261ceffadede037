"""Receivers that hang, drip, flood, lead elsewhere or fail for a day: none hurts another, none is forgotten."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from contextlib import ExitStack
from datetime import timedelta
from typing import Any

import pytest

from builders.alerting import Alerting, numbers
from builders.loops import run
from builders.receiver import Receiver, listening
from rimekeep.alerts.jobs import Round, deliver_without_end
from rimekeep.platform.database import Database
from rimekeep.platform.settings import load_settings


def test_a_receiver_that_hangs_is_given_up_and_tried_again(site: Alerting, receiver: Receiver) -> None:
    made = site.subscribe(receiver)
    receiver.hangs = True
    site.say(1)
    site.deliver(timeout_s=0.3)
    (tried,) = site.of(made)
    assert (tried["status"], tried["error"]) == (0, "no answer within 0.3 s")
    assert 300 <= tried["duration_ms"] < 20_000
    receiver.hangs = False
    site.clock.now += timedelta(seconds=60)
    assert site.deliver() == 1


def test_an_answer_s_giant_body_is_not_read(site: Alerting, receiver: Receiver) -> None:
    """A gigabyte would take seconds and the memory; the head has said it all."""
    made = site.subscribe(receiver)
    receiver.body_bytes = 2**30
    site.say(1)
    assert site.deliver() == 1
    assert site.of(made)[0]["status"] == 200


def test_a_name_is_looked_up_once_and_the_connection_goes_where_it_was_checked(
    site: Alerting, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name server that answers differently the second time (DNS rebinding) gains nothing."""
    asked: list[str] = []
    real = socket.getaddrinfo

    def answer(host: Any, port: Any, *more: Any, **named: Any) -> Any:
        if host != "rebound.example":
            return real(host, port, *more, **named)
        asked.append(host)
        return real("127.0.0.1" if len(asked) == 1 else "127.0.0.2", port, *more, **named)

    monkeypatch.setattr(socket, "getaddrinfo", answer)
    made = site.subscribe(f"http://rebound.example:{receiver.port}/")
    site.say(1)
    assert site.deliver() == 1
    assert asked == ["rebound.example"]
    assert receiver.headers[0]["Host"] == f"rebound.example:{receiver.port}"
    assert site.of(made)[0]["status"] == 200


def test_two_names_at_one_address_share_no_connection(
    site: Alerting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Encrypted, the certificate was checked for the first name only; the second's messages are not for it."""
    real = socket.getaddrinfo

    def answer(host: Any, port: Any, *more: Any, **named: Any) -> Any:
        return real("127.0.0.1" if str(host).endswith(".example") else host, port, *more, **named)

    async def one_after_the_other() -> None:
        async with Round(site.database, lambda: site.clock.now, 60) as rounds:
            for n, kind in enumerate(("unit.frozen", "count.differs")):
                site.say(n, kind)
                site.say(n, kind)
                await asyncio.gather(*await rounds.look())

    monkeypatch.setattr(socket, "getaddrinfo", answer)
    with listening(keeps_alive=True) as shared:
        site.subscribe(f"http://one.example:{shared.port}/", kinds=["unit.frozen"])
        site.subscribe(f"http://two.example:{shared.port}/", kinds=["count.differs"])
        run(one_after_the_other())
    assert [said["Host"].partition(".")[0] for said in shared.headers] == ["one", "one", "two", "two"]
    one, again, two, also = shared.from_ports
    assert (one, two) == (again, also), "a receiver's own connection serves its next message"
    assert one != two


def test_a_receiver_that_fails_for_a_day_gets_everything_in_order(site: Alerting, receiver: Receiver) -> None:
    """500 from 06:00 on, an alert an hour; looked at every ten minutes; answered well the next morning."""
    made = site.subscribe(receiver)
    receiver.answers = [500] * 1000
    begun = site.clock.now
    for hour in range(24):
        site.say(hour)
        for _ in range(6):
            site.deliver()
            site.clock.now += timedelta(minutes=10)
    # At 0, 0:00:05, 0:05, 0:35, 2:35, 7:35, 17:35: the standard's schedule, on a look every ten minutes.
    assert 6 <= len(receiver.bodies) <= 8
    assert set(numbers(receiver)) == {0}
    standing = site.state(made)
    assert standing["is_active"] is True
    assert standing["failing_since"][:16] == begun.isoformat()[:16]
    receiver.answers.clear()
    receiver.bodies.clear()
    site.clock.now += timedelta(hours=16)
    site.deliver()
    assert numbers(receiver) == list(range(24))
    assert site.state(made)["failing_since"] is None


def test_a_hanging_receiver_holds_up_neither_the_others_nor_their_next_alert(
    site: Alerting, database_url: str, receiver: Receiver
) -> None:
    """Thirty hang, one answers: its alerts reach it while the first sends to the others go on."""
    with ExitStack() as stack:
        silent = stack.enter_context(listening())
        silent.hangs = True
        hanging = [site.subscribe(silent) for _ in range(30)]
        site.subscribe(receiver)
        running = Database(
            load_settings(database_url=database_url, webhook_allow_private=True, deliver_every_s=0.05)
        )
        stopped = threading.Event()
        thread = threading.Thread(
            target=deliver_without_end, args=(running, stopped), kwargs={"timeout_s": 120}
        )
        thread.start()
        try:
            for n in range(4):
                site.clock.now += timedelta(seconds=1)
                site.say(n)
                wait_for(lambda n=n: numbers(receiver) == list(range(n + 1)))
            wait_for(lambda: len(silent.bodies) == len(hanging))
            assert [site.of(one) for one in hanging] == [[]] * len(hanging), "a send had ended"
        finally:
            stopped.set()
            thread.join(60)
            running.dispose()
        assert not thread.is_alive()


def wait_for(done: Any, timeout_s: float = 60) -> None:
    deadline = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.02)
