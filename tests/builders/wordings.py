"""Every sentence of the service's own that has to be said in other languages too."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import rimekeep
from rimekeep.access.core.roles import PrincipalKind
from rimekeep.loading.core.states import JobState, Measured, PlanState
from rimekeep.orders.core.states import OrderState
from rimekeep.picking.core.counts import CountState
from rimekeep.picking.core.refill import RefillState
from rimekeep.picking.core.states import ListState, PickState
from rimekeep.shelflife.core.states import CalibrationState
from rimekeep.stock.core.states import BayRole, QaState, UnitState, ZoneKind
from rimekeep.tracing.recall.core.states import RecallState

PACKAGE = Path(rimekeep.__file__).parent
# Words of the service's own that stand in sentences as values.
STATES = [
    *OrderState, *PlanState, *JobState, *ListState, *PickState, *CountState, *RefillState, *QaState,
    *UnitState, *ZoneKind, *BayRole, *CalibrationState, *RecallState, *Measured, *PrincipalKind,
]  # fmt: skip
_PRINTED = re.compile(r'"([^"]+)" \| said|say\("([^"]+)"')
_MARKS = ("say", "noted", "counted", "missing", "wrong")


def _calls() -> Iterator[tuple[str, list[str]]]:
    """Yield each marked call of the package: its name and the texts it begins with."""
    for file in sorted(PACKAGE.rglob("*.py")):
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call):
                continue
            mark = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
            if mark in _MARKS:
                texts = [one.value for one in call.args[:2] if isinstance(one, ast.Constant)]
                yield mark, [text for text in texts if isinstance(text, str)]


def templates() -> Iterator[str]:
    """Yield the templates marked in the package, plural forms among them."""
    for mark, texts in _calls():
        yield from texts if mark in ("counted", "wrong") else texts[:1]
    yield from of_papers()


def of_papers() -> Iterator[str]:
    """Yield the templates marked in what papers are printed from."""
    for file in sorted((PACKAGE / "loading" / "templates").glob("*.html")):
        for by_filter, by_call in _PRINTED.findall(file.read_text(encoding="utf-8")):
            yield by_filter or by_call


def plurals() -> dict[str, str]:
    """Return the plural form of each template about one thing."""
    return {
        one: many for mark, (one, many) in ((m, t) for m, t in _calls() if m == "counted" and len(t) == 2)
    }
