"""
The errors of the house, and nothing else.

::

    RimekeepError
    ├── Missing    the thing is not there, or not this site's
    ├── Conflict   it is there, but no longer (or already) in the state assumed
    ├── Refused    the facts are clear and a rule of the trade says no
    ├── Forbidden  the caller may not do this
    ├── TooSoon    so many tries failed that the next one has to wait
    └── Invalid    the input cannot be meant: says what, where and what to do
        └── Malformed   it breaks the rules of the open standard it is to follow

Each names a stable ``code`` (the last part of the problem type in the API), states the fact in plain words
and carries the data. ``platform/problems.py`` alone turns a kind into a status.
"""

from dataclasses import dataclass, field

from rimekeep.wording import glued, say


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with one field: where it is, what is wrong, what to do about it."""

    field: str
    detail: str
    mend: str


@dataclass(frozen=True, slots=True)
class Limit:
    """How many tries are left under a limit, and for how long none is looked at."""

    policy: str
    quota: int
    left: int
    wait_s: int


@dataclass(eq=False)
class RimekeepError(Exception):
    """Base of all errors a user can cause or must know of."""

    code: str
    detail: str
    faults: tuple[Fault, ...] = ()
    data: dict[str, object] = field(default_factory=dict)
    limit: Limit | None = None

    def __str__(self) -> str:
        """Return the fact, then every fault with its mend."""
        parts = [self.detail, *(f"{f.field}: {f.detail} {f.mend}" for f in self.faults)]
        return " ".join(part for part in parts if part)


class Missing(RimekeepError):
    """The thing named is not there, or belongs to another site."""


class Conflict(RimekeepError):
    """The thing is there but not in the state the request assumed."""


class Refused(RimekeepError):
    """The request is understood and a rule of the trade forbids it."""


class Forbidden(RimekeepError):
    """The caller's role does not admit this."""


class TooSoon(RimekeepError):
    """So many tries failed that this one was not looked at."""


class Invalid(RimekeepError):
    """The input cannot be meant; every fault names its field and the mend."""


class Malformed(Invalid):
    """A document or query breaks the rules of the open standard it is to follow."""


def _text(key: object) -> str:
    return key if isinstance(key, str) else str(key)


def missing(kind: str, key: object) -> Missing:
    """Return the error for an object of ``kind`` that is not there under ``key``."""
    return Missing(
        f"{kind.replace(' ', '-')}-not-found",
        say("There is no {kind} {key} at this site.", kind=say(kind), key=_text(key)),
    )


def invalid(where: str, detail: str, mend: str, *, code: str = "invalid-input") -> Invalid:
    """Return the error for one field that cannot be meant."""
    return Invalid(code, say("The input cannot be used as it is."), (Fault(where, detail, mend),))


def refused(code: str, where: str, fact: str, mend: str, data: dict[str, object] | None = None) -> Refused:
    """Return the refusal of what one field says: the fact, and what to do instead."""
    return Refused(code, glued(fact, mend), (Fault(where, fact, mend),), data or {})


def conflict(code: str, where: str, fact: str, mend: str, data: dict[str, object] | None = None) -> Conflict:
    """Return the clash of what one field says with what is there: the fact, and what to do instead."""
    return Conflict(code, glued(fact, mend), (Fault(where, fact, mend),), data or {})
