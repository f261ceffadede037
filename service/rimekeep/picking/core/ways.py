"""The way to a single bay."""

from rimekeep.picking.core.walk.layout import REACH_LEVEL, Layout


def there_and_back_m(layout: Layout, aisle: int, slot: int, level: int = 0) -> float:
    """
    Return the way from the dock to a bay and back, with what its level costs. [m]

    The dock is the front end of aisle 1; where aisles are one-way the real way is longer.
    """
    before = [layout.depth_m(number) for number in range(len(layout.blocks))]
    for number, (front, slots) in enumerate(layout.blocks):
        if slot <= front + slots:
            way_m = sum(before[:number]) + layout.reach_m(slot - front)
            return 2 * ((aisle - 1) * layout.aisle_pitch_m + way_m) + layout.level_penalty_m * max(
                0, level - REACH_LEVEL
            )
    raise ValueError(f"slot {slot} lies behind the last of {layout.slots_per_aisle}")
