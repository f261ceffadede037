"""
What a handheld said while it had no network, all at once, in any order and as often as it likes.

Each call is a transaction of its own, known by its own key. So whatever was done stays done if the rest
fails, no lock is held from one call to the next, and what comes again is told as it was told first.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from rimekeep.access.core.roles import Caller
from rimekeep.errors import Conflict, RimekeepError, invalid
from rimekeep.picking import queries
from rimekeep.picking.core.outcomes import (
    OF_A_LIST,
    WAITING,
    Call,
    Outcome,
    Ruling,
    line_list,
    line_repeated,
    ruling_of,
)
from rimekeep.picking.core.states import ListState, PickState
from rimekeep.picking.usecases.bring import bring_list
from rimekeep.picking.usecases.finish import Picked
from rimekeep.picking.usecases.instead import wait_for_planners
from rimekeep.picking.usecases.lists import hand_back, heartbeat, take_list
from rimekeep.picking.usecases.picks import confirm_pick, damaged_pick, not_found, short_pick
from rimekeep.picking.usecases.substitute import substitute_pick
from rimekeep.platform.database import Database
from rimekeep.platform.idempotency import Answer, answered, remember
from rimekeep.wording import glued, packed, say, unpacked

# Sets the answers to calls of a queue apart from those to requests.
_MARK = "queued:"
_PLAIN = "application/json"


@dataclass(frozen=True, slots=True)
class Queued:
    """One call: its own key, when by the device's clock, and what was said."""

    key: str
    at: datetime
    call: Call
    list_id: int | None = None
    pick_id: int | None = None
    scan: str | None = None
    bay: str | None = None
    bay_check_code: str | None = None
    cases: int | None = None
    cases_damaged: int | None = None
    reason: str | None = None

    @property
    def hashed(self) -> str:
        """Return what makes two calls the same; by which clock they were made does not."""
        said = {name: value for name, value in asdict(self).items() if name not in {"key", "at"}}
        return _MARK + hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Answered:
    """
    What one call came to.

    ``first`` is the outcome when it was said first, for one that is repeated; ``result`` what an own request
    would have been answered.
    """

    key: str
    call: Call
    outcome: Outcome
    line: str
    code: str | None = None
    first: Outcome | None = None
    result: Mapping[str, Any] | None = None


def replay_queue(
    database: Database, now: datetime, caller: Caller, calls: Sequence[Queued], *, lease_s: int
) -> list[Answered]:
    """
    Do what a queue says, and return what each call came to, in the order they were sent.

    They are done by the device's clock; one that needs another first waits for it, so that a clock that was
    set meanwhile, or a shuffled queue, ends like the queue as it was made.
    """
    found: dict[int, Answered] = {}
    # Lists are taken first, whenever the device says it took them: everything else rests on it. They are
    # handed back last, or somebody else could take one between the two.
    turn = {Call.TAKE: 0, Call.HAND_BACK: 2}
    waiting = sorted(
        range(len(calls)), key=lambda place: (turn.get(calls[place].call, 1), calls[place].at, place)
    )
    is_moving = True
    while waiting and is_moving:
        is_moving = False
        late = []
        for place in waiting:
            found[place] = _one(database, now, caller, calls[place], lease_s)
            if found[place].code in WAITING:
                late.append(place)
            else:
                is_moving = True
        waiting = late
    return [found[place] for place in range(len(calls))]


def _one(database: Database, now: datetime, caller: Caller, call: Queued, lease_s: int) -> Answered:
    try:
        with database.transaction() as session:
            before = answered(session, caller.id, call.key)
            if before is not None:
                return _again(call, before)
            ruling, result = _act(session, now, caller, call, lease_s)
            kept = {"outcome": ruling.outcome, "line": ruling.line, "result": result}
            body = json.dumps(packed(kept)).encode()
            remember(session, caller.id, call.key, Answer(call.hashed, 200, _PLAIN, body), now)
    except RimekeepError as error:
        return _refusal(database, caller, call, error)
    return Answered(call.key, call.call, ruling.outcome, ruling.line, result=result)


def _again(call: Queued, before: Answer) -> Answered:
    """Tell what was said before under the key, in a queue or as a request of its own."""
    kept = unpacked(json.loads(before.body)) if before.media_type == _PLAIN else {}
    is_own = isinstance(kept, dict)
    if before.request_hash.startswith(_MARK):
        is_same = before.request_hash == call.hashed
        result = kept["result"]
    else:
        # The answer to the request was lost on its way, so the device put it into its queue.
        if call.call in OF_A_LIST:
            is_same = is_own and call.list_id in (kept.get("list_id"), kept.get("id"))
        else:
            is_same = is_own and call.pick_id == kept.get("pick_id")
        result = kept if is_own else None
    if not is_same:
        refusal = say(
            "This key was used for another call: nothing was done. Tell whoever looks after the device."
        )
        return Answered(call.key, call.call, Outcome.REFUSED, refusal, "idempotency-key-reused")
    first = Outcome(kept.get("outcome", Outcome.DONE))
    line = line_repeated(kept.get("line", say("done.")))
    return Answered(call.key, call.call, Outcome.REPEATED, line, first=first, result=result)


def _refusal(database: Database, caller: Caller, call: Queued, error: RimekeepError) -> Answered:
    ruling = ruling_of(error)
    if error.code == "list-not-taken" and call.call in (Call.HEARTBEAT, Call.HAND_BACK):
        ruling = Ruling(Outcome.OVER, ruling.line, ruling.code)
    if error.code == "pick-done" and call.pick_id is not None:
        with database.transaction(readonly=True) as session:
            pick = queries.pick_facts(session, caller.site_id, call.pick_id, is_locked=False)
        is_own = pick.device_id == caller.id and pick.pick_state in (PickState.DONE, PickState.SHORT)
        if is_own and pick.picked_cases == (call.cases or 0):
            # The same was said under another key.
            line = line_repeated(say("stop {stop}, {cases} cases.", stop=pick.stop, cases=pick.picked_cases))
            return Answered(call.key, call.call, Outcome.REPEATED, line, error.code)
        if pick.pick_state != PickState.WITHDRAWN and call.cases:
            line = glued(ruling.line, say("Put your {cases} cases back.", cases=call.cases))
            ruling = Ruling(ruling.outcome, line, ruling.code)
    return Answered(call.key, call.call, ruling.outcome, ruling.line, ruling.code)


def _act(
    session: Session, now: datetime, caller: Caller, call: Queued, lease_s: int
) -> tuple[Ruling, dict[str, Any]]:
    if call.call in OF_A_LIST:
        return _act_on_list(session, now, caller, call, lease_s)
    pick_id = _needed(call, "pick_id")
    if call.call != Call.CONFIRM:
        wait_for_planners(session, caller.site_id)
    _take_again(session, now, caller, pick_id, lease_s)
    common: dict[str, Any] = {
        "pick_id": pick_id,
        "bay_check_code": call.bay_check_code,
        "lease_s": lease_s,
        "device_at": call.at,
    }
    acts: dict[Call, Callable[[], Picked]] = {
        Call.CONFIRM: lambda: confirm_pick(
            session, now, caller, scan=_needed(call, "scan"), cases=_needed(call, "cases"), **common
        ),
        Call.SHORT: lambda: short_pick(
            session,
            now,
            caller,
            cases_found=call.cases or 0,
            scan=call.scan,
            reason=_needed(call, "reason"),
            **common,
        ),
        Call.DAMAGED: lambda: damaged_pick(
            session,
            now,
            caller,
            cases_taken=call.cases or 0,
            cases_damaged=_needed(call, "cases_damaged"),
            scan=_needed(call, "scan"),
            reason=_needed(call, "reason"),
            **common,
        ),
        Call.NOT_FOUND: lambda: not_found(
            session, now, caller, reason=call.reason or "not at its bay", **common
        ),
        Call.SUBSTITUTE: lambda: substitute_pick(
            session,
            now,
            caller,
            scan=_needed(call, "scan"),
            cases=_needed(call, "cases"),
            reason=_needed(call, "reason"),
            **common,
        ),
    }
    done = acts[call.call]()
    return Ruling(done.outcome, done.line), asdict(done)


def _act_on_list(
    session: Session, now: datetime, caller: Caller, call: Queued, lease_s: int
) -> tuple[Ruling, dict[str, Any]]:
    list_id = _needed(call, "list_id")
    if call.call == Call.BRING:
        code = _needed(call, "bay_check_code")
        done = bring_list(
            session,
            now,
            caller,
            list_id=list_id,
            bay=_needed(call, "bay"),
            bay_check_code=code,
            device_at=call.at,
        )
        return Ruling(done.outcome, done.line), asdict(done)
    if call.call == Call.TAKE:
        take_list(session, now, caller, list_id=list_id, lease_s=lease_s, is_late=True)
    elif call.call == Call.HEARTBEAT:
        heartbeat(session, now, caller, list_id=list_id, lease_s=lease_s)
    else:
        hand_back(session, now, caller, list_id=list_id)
    return Ruling(Outcome.DONE, line_list(call.call, list_id)), {"list_id": list_id}


def _take_again(session: Session, now: datetime, caller: Caller, pick_id: int, lease_s: int) -> None:
    """Let a device that was silent for longer than its lease have its list back, if nobody else took it."""
    # The order is locked before the list, as by everybody.
    pick = queries.pick_facts(session, caller.site_id, pick_id)
    if pick.pick_state != PickState.OPEN or pick.list_state != ListState.READY:
        return
    try:
        take_list(session, now, caller, list_id=pick.list_id, lease_s=lease_s, is_late=True)
    except Conflict as error:
        if error.code != "list-not-taken":
            raise


def _needed(call: Queued, name: str) -> Any:
    value = getattr(call, name)
    if value is None or value == "":
        raise invalid(
            name,
            say("A call {call} needs {name}.", call=call.call, name=name),
            say("Send it again with the field."),
        )
    return value
