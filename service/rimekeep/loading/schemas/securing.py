"""How a load is to be secured: what is asked, and the answer row by row."""

from pydantic import Field

from rimekeep.loading.core.friction import Condition, Floor, Pallet
from rimekeep.loading.core.gear import Law, Walls, Way
from rimekeep.platform.language import Worded
from rimekeep.platform.schemas import Body, View


class SecuringIn(Body):
    """By which rules, on which deck and with what gear a load is to be held."""

    law: Law | None = Field(
        None, description="eu: EN 12195-1; us: 49 CFR 393; null: as the plan's weight rules have it."
    )
    pallet: Pallet = Pallet.WOOD
    floor: Floor = Floor.GROOVED_ALUMINIUM
    condition: Condition = Condition.NOT_SWEPT
    friction: float | None = Field(
        None, ge=0.01, le=1, description="The factor itself, as measured; null: from the table of friction."
    )
    friction_between: float | None = Field(
        None, ge=0.01, le=1, description="Of an upper pallet on the goods below; null: wood on wrap, 0.3."
    )
    angle_deg: float = Field(60.0, ge=1, le=90, description="Of a strap against the deck.")
    tension_dan: float = Field(300.0, ge=1, le=5000, description="A strap's standard tension, as labelled.")
    bar_dan: float = Field(400.0, ge=1, le=5000, description="What a bar holds, as labelled.")
    working_load_lb: float = Field(3333.0, ge=1, le=50_000, description="A strap's limit, as marked.")
    walls: Walls = Field(Walls.CODE_L, description="What the body's walls are built to, by EN 12642.")


class AboveOut(View):
    """The upper units of a row's stacks in one state, and what keeps them from sliding and falling."""

    units: int
    mass_kg: float
    held_by: dict[Way, str | None] = Field(description="What stops them in each direction; null: nothing.")
    lashings: dict[Way, int] = Field(description="Over the stacks.")
    lost: list[Way] = Field(description="Directions they were held in until the last drop.")


class RowHeldOut(View):
    """One row in one state; lashings over the top or bars across hold what nothing else does."""

    row: int = Field(description="From 0 at the front wall.")
    units: int
    mass_kg: float
    held_by: dict[Way, str | None] = Field(description="What stops it in each direction; null: nothing.")
    lashings: dict[Way, int]
    bars: dict[Way, int]
    lost: list[Way] = Field(description="Directions it was held in until the last drop.")
    tipping: dict[Way, int] = Field(
        description="Lashings over the top against falling over, by the heights that are known."
    )
    above: AboveOut | None = Field(description="What is on top of other units; null: nothing is.")
    is_held: bool
    lashings_needed: int = Field(description="Over the top, for all directions together.")
    text: Worded


class LoadHeldOut(View):
    """All rows at departure (``after_drop`` 0) or after one drop."""

    after_drop: int
    rows: list[RowHeldOut]


class SecuringOut(View):
    """How a trip's load is held as it empties. Advisory: the driver's check and local rules decide."""

    law: Law
    edition: str = Field(description="Coefficients used, and where they come from.")
    friction: float
    friction_source: str
    friction_between: float
    states: list[LoadHeldOut]
    cautions: list[Worded]
