"""A plan brought up to date: what is asked, and what it came to."""

from pydantic import Field

from rimekeep.loading.schemas.plans import PlanSummaryOut
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, Id, Reason, View


class AmendIn(Body):
    """Whose units are to join a plan, beside what its own orders have by now."""

    orders: list[Id] = Field(
        [],
        max_length=100,
        description="More orders of the day, ready to be loaded; new customers are called last, or first "
        "where that cannot be.",
    )
    only_preview: bool = Field(False, description="Tell what it would come to; nothing is written.")


class AmendOut(View):
    """What a change to a plan came to."""

    plan: PlanSummaryOut
    is_made: bool
    moved: list[str] = Field(description="SSCCs that stand elsewhere than before.")
    moved_bound: int = Field(description="Fewer moves cannot do.")
    are_new_first: bool = Field(
        description="New customers are called first, because last cannot be; else they are called last."
    )
    straightened: list[str] = Field(
        description="SSCCs that were turned by hand and stand again as their row has them."
    )
    added: list[str]
    removed: list[str]
    vehicle_id: int | None = Field(description="A vehicle that is needed besides; null: those there do.")
    reasons: list[Worded] = Field(description="Why it cannot be done.")


class GiveUpIn(Body):
    """Why one trip of a plan is given up."""

    reason: Reason
