"""The live stream, over a real server and socket."""

import json
import threading
import time
from contextlib import contextmanager

import httpx2
import pytest
import uvicorn

from builders.alerting import Alerting
from rimekeep.platform.journal import Notice, announce


@contextmanager
def serving_app(api):
    """Run the application on a real server; its address."""
    server = uvicorn.Server(
        uvicorn.Config(
            api.app, host="127.0.0.1", port=0, log_config=None, lifespan="off", timeout_graceful_shutdown=2
        )
    )
    thread = threading.Thread(target=server.run)
    thread.start()
    until = time.monotonic() + 60
    while not server.started and time.monotonic() < until:
        time.sleep(0.01)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(60)
    assert not thread.is_alive()


@pytest.fixture
def address(api):
    """The application on a real server; its address."""
    with serving_app(api) as opened:
        yield opened


def say(api, database, clock, n):
    with database.transaction() as session:
        announce(session, api.callers["qa"].site_id, Notice("excursion.opened", clock.now, {"n": n}))


def events(response):
    """Yield (id, kind, data) of each event as it arrives."""
    found = {}
    for line in response.iter_lines():
        name, _, value = line.partition(": ")
        if line:
            found[name] = value
        elif "data" in found:
            yield int(found["id"]), found["event"], json.loads(found["data"])
            found = {}


def follow(api, address, role="qa", **headers):
    headers = {"Authorization": f"Bearer {api.tokens[role]}", **headers}
    url = address if "?" in address else f"{address}/v1/stream"
    return httpx2.stream("GET", url, headers=headers, timeout=60)


def test_a_follower_sees_what_is_announced_and_resumes_where_it_was(api, address, database, clock):
    say(api, database, clock, 1)
    with follow(api, address) as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        say(api, database, clock, 2)
        seen = events(response)
        assert next(seen)[::2] == (2, api.ok("GET", "/v1/outbox?after_seq=1")["items"][0])
        say(api, database, clock, 3)
        assert next(seen)[0] == 3
    say(api, database, clock, 4)
    with follow(api, address, **{"Last-Event-ID": "2"}) as response:
        seen = events(response)
        assert [next(seen)[2]["data"]["n"] for _ in range(2)] == [3, 4]


def test_a_follower_does_not_keep_others_from_being_answered(api, address, database, clock):
    with follow(api, address), follow(api, address):
        headers = {"Authorization": f"Bearer {api.tokens['lead']}"}
        assert httpx2.get(f"{address}/v1/me", headers=headers, timeout=60).status_code == 200
        say(api, database, clock, 1)


@pytest.mark.parametrize("ending", ["shut out", "token", "session", "roles"])
def test_a_stream_ends_with_what_let_its_follower_in(api, address, database, clock, ending):
    principal_id = api.callers["picker"].id
    headers = {"Authorization": f"Bearer {api.tokens['picker']}"}
    if ending == "session":
        form = {"token": api.tokens["picker"]}
        secret = httpx2.post(f"{address}/sign-in", data=form, timeout=60).cookies["rimekeep_session"]
        headers = {"Cookie": f"rimekeep_session={secret}"}
    with httpx2.stream("GET", f"{address}/v1/stream", headers=headers, timeout=60) as response:
        seen = events(response)
        say(api, database, clock, 1)
        assert next(seen)[2]["data"]["n"] == 1
        if ending == "shut out":
            assert api.post(f"/v1/principals/{principal_id}/deactivate").status_code == 200
        elif ending == "roles":
            tag = api.get(f"/v1/principals/{principal_id}").headers["ETag"]
            body = {"roles": ["gateway"], "reason": "moved"}
            changed = api.request(
                "PATCH", f"/v1/principals/{principal_id}", json=body, headers={"If-Match": tag}
            )
            assert changed.status_code == 200
        else:
            api.made(f"/v1/principals/{principal_id}/token", {})
        say(api, database, clock, 2)
        assert next(seen, None) is None


def test_a_stream_needs_a_token_and_a_sensible_number(api):
    assert api.client.get("/v1/stream").status_code == 401
    assert api.as_("gateway").get("/v1/stream").status_code == 403
    for wrong in ("-1", "x", "9" * 30):
        assert api.get("/v1/stream", headers={"Last-Event-ID": wrong}).status_code == 422


def test_a_stream_tells_only_what_is_asked_for_and_goes_on_after_a_restart(api, address, database, clock):
    """By kind, zone and severity; the second server knows nothing of the first but the number it is given."""
    site = Alerting(api, database, clock)
    cold, _ = site.zone("COLD"), site.zone("WARM")
    site.say(1, "excursion.opened", zone="COLD", severity="critical")
    site.say(2, "excursion.opened", zone="WARM", severity="critical")
    site.say(3, "excursion.opened", zone="COLD", severity="warning")
    site.say(4, "excursion.ended", zone="COLD", severity="critical")
    site.say(5, "excursion.escalated", zone="COLD", severity="critical")
    site.say(6, "unit.frozen")
    query = f"kind=excursion.opened&kind=excursion.escalated&zone_id={cold}&least_severity=critical"
    with follow(api, f"{address}/v1/stream?{query}", **{"Last-Event-ID": "0"}) as response:
        assert next(events(response))[0] == 1
    with (
        serving_app(api) as other,
        follow(api, f"{other}/v1/stream?{query}", **{"Last-Event-ID": "1"}) as response,
    ):
        seen = events(response)
        assert next(seen)[0] == 5
        site.say(7, "excursion.opened", zone="COLD", severity="critical")
        assert next(seen)[0] == 7
    for wrong in ("least_severity=grave", "zone_id=0", "kind=x"):
        assert api.get(f"/v1/stream?{wrong}").status_code == 422
