"""A picture of a room's aisles: each as one sees it from the side, slot by slot, from the floor up."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rimekeep.stock.core.states import BayRole
from rimekeep.web.setup.queries import AisleRow, BayRow

CELL_WIDTH, CELL_HEIGHT = 20, 16
CROSS_WIDTH = 26
LEFT, TOP, BOTTOM = 64, 16, 22
# More would be slow to send and to look at.
MOST_BAYS = 1200


@dataclass(frozen=True, slots=True)
class Mark:
    """A text at a place."""

    x: int
    y: int
    text: str


@dataclass(frozen=True, slots=True)
class Aisle:
    """One aisle: paths of its bays' outlines, of what is filled, and of what is over-filled."""

    aisle: int
    y: int
    height: int
    bulk: str
    pick: str
    filled: str
    over: str
    slots: list[Mark]
    is_backwards: bool


@dataclass(frozen=True, slots=True)
class Picture:
    """The aisles one below the other; ``crosses`` are the x of aisles that run across."""

    width: int
    height: int
    aisles: list[Aisle]
    crosses: list[int]


def windows(aisles: Sequence[AisleRow], most: int = MOST_BAYS) -> list[list[AisleRow]]:
    """Return the aisles in groups that make one picture each."""
    groups: list[list[AisleRow]] = []
    held = 0
    for one in aisles:
        if not groups or held + one.bays > most:
            groups.append([])
            held = 0
        groups[-1].append(one)
        held += one.bays
    return groups


def room_picture(bays: Sequence[BayRow], crosses_after: Iterable[int], *, is_one_way: bool) -> Picture:
    """Return the picture of bays that come as the aisles run; cross aisles lie behind the slots named."""
    slots = sorted({bay.slot for bay in bays})
    behind = sorted(set(crosses_after))
    place: dict[int, int] = {}
    crosses: list[int] = []
    x = LEFT
    for number, slot in enumerate(slots):
        # The first slot beyond a cross aisle stands behind it.
        if number and any(slots[number - 1] <= after < slot for after in behind):
            crosses.append(x)
            x += CROSS_WIDTH
        place[slot] = x
        x += CELL_WIDTH
    y = 0
    drawn: list[Aisle] = []
    by_aisle: dict[int, list[BayRow]] = {}
    for bay in bays:
        by_aisle.setdefault(bay.aisle, []).append(bay)
    for aisle, own in by_aisle.items():
        lowest = min(bay.level for bay in own)
        height = (max(bay.level for bay in own) - lowest + 1) * CELL_HEIGHT
        floor = y + TOP + height
        drawn.append(
            _aisle(aisle, own, place, floor, lowest, height, is_backwards=is_one_way and aisle % 2 == 0)
        )
        y = floor + BOTTOM
    return Picture(x + 8, max(y, 1), drawn, crosses)


def _aisle(
    aisle: int,
    own: Sequence[BayRow],
    place: dict[int, int],
    floor: int,
    lowest: int,
    height: int,
    *,
    is_backwards: bool,
) -> Aisle:
    paths: dict[str, list[str]] = {"bulk": [], "pick": [], "filled": [], "over": []}
    for bay in own:
        x = place[bay.slot] + 1
        y = floor - (bay.level - lowest + 1) * CELL_HEIGHT + 1
        wide, high = CELL_WIDTH - 2, CELL_HEIGHT - 2
        kind = "pick" if bay.role == BayRole.PICK else "bulk"
        paths[kind].append(f"M{x} {y}h{wide}v{high}h-{wide}z")
        if bay.units:
            tall = max(2, round(high * min(1.0, bay.units / bay.room)))
            name = "over" if bay.units > bay.room else "filled"
            paths[name].append(f"M{x} {y + high - tall}h{wide}v{tall}h-{wide}z")
    slots = sorted({bay.slot for bay in own})
    named = [slot for slot in slots if slot % 5 == 0 or slot in (slots[0], slots[-1])]
    marks = [Mark(place[slot] + CELL_WIDTH // 2, floor + 13, str(slot)) for slot in _apart(named)]
    joined = {name: "".join(parts) for name, parts in paths.items()}
    return Aisle(aisle, floor - height, height, slots=marks, is_backwards=is_backwards, **joined)


def _apart(slots: Sequence[int]) -> list[int]:
    """Return slots whose numbers do not run into one another; the first and the last stay."""
    kept = [slot for slot in slots[1:-1] if slot - slots[0] > 1 and slots[-1] - slot > 1]
    return [*slots[:1], *kept, *(slots[-1:] if len(slots) > 1 else [])]
