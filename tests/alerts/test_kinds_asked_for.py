"""What is announced can be asked for by its name."""

from pydantic import TypeAdapter

from rimekeep.alerts.core.kinds import KINDS
from rimekeep.alerts.schemas import Kind


def test_every_kind_that_is_announced_can_be_asked_for() -> None:
    asked = TypeAdapter(list[Kind])
    assert asked.validate_python(sorted(KINDS)) == sorted(KINDS)
