"""Do mixed pallets keep the rules? Judges any, however made, and shares no code with the builder."""

from collections import Counter
from collections.abc import Iterable, Sequence

from rimekeep.picking.core.pallets.records import LEVEL_MM, PALLET_MM, SUPPORT, Limits, Pallet, Part

SLACK = 1e-6


def pallet_faults(parts: Iterable[Part], pallets: Sequence[Pallet], limits: Limits) -> list[str]:
    """
    Return every broken rule in plain words.

    Checked are: every case placed once, tiers within their area, kegs apart from cartons, one footprint, a
    common temperature range, the products' own patterns, height, mass, what may carry, and what each case
    bears.
    """
    faults = []
    wanted = Counter({part.id: part.cases for part in parts})
    placed: Counter[int] = Counter()
    for pallet in pallets:
        placed.update(pallet.cases)
    if wanted != placed:
        faults.append(f"cases wanted {dict(wanted)}, placed {dict(placed)}")
    for number, pallet in enumerate(pallets, start=1):
        faults += [f"pallet {number}: {fault}" for fault in _faults(pallet, limits)]
    return faults


def _faults(pallet: Pallet, limits: Limits) -> Iterable[str]:
    goods = {part.goods for tier in pallet.tiers for part, _ in tier.pieces}
    if len({one.is_keg for one in goods}) > 1:
        yield "kegs stand with cartons"
    if len({one.footprint for one in goods}) > 1:
        yield "products of two footprints"
    if max(one.carry_min_c for one in goods) > min(one.carry_max_c for one in goods):
        yield "no air temperature suits all"
    pattern = height_mm = above_kg = widest = 0.0
    for number in range(len(pallet.tiers), 0, -1):
        pieces = pallet.tiers[number - 1].pieces
        area = sum(cases * (1 / part.goods.cases_per_layer) for part, cases in pieces)
        if area > 1 + SLACK:
            yield f"tier {number} covers {area:.3f} of the pallet"
        heights = [part.goods.case_height_mm for part, _ in pieces]
        different = len({part.goods.product_id for part, _ in pieces}) > 1
        if above_kg > 0:
            if area < SUPPORT - SLACK and area < widest - SLACK:
                yield f"tier {number} is {area:.2f} full and carries {above_kg:.1f} kg on {widest:.2f}"
            known = [height for height in heights if height is not None]
            if different and (len(known) < len(heights) or max(known) - min(known) > LEVEL_MM):
                yield f"tier {number} is uneven and carries {above_kg:.1f} kg"
            for part, _ in pieces:
                load_kg = above_kg / part.goods.cases_per_layer / area
                if load_kg > part.goods.bears_kg + SLACK:
                    yield (
                        f"tier {number}: a case of product {part.goods.product_id} bears {load_kg:.1f} kg, "
                        f"{part.goods.bears_kg:.1f} kg at most"
                    )
        widest = max(widest, area)
        above_kg += sum(part.goods.case_mass_kg * cases for part, cases in pieces)
        pattern += max(1 / part.goods.layers_per_pallet for part, _ in pieces)
        if limits.height_mm is not None:
            stack_mm = limits.height_mm - PALLET_MM
            height_mm += max(
                part.goods.case_height_mm or stack_mm / part.goods.layers_per_pallet for part, _ in pieces
            )
    if pattern > 1 + SLACK:
        yield f"{pattern:.3f} full pallets high"
    if limits.height_mm is not None and PALLET_MM + height_mm > limits.height_mm + SLACK:
        yield f"{PALLET_MM + height_mm:.0f} mm high, {limits.height_mm:.0f} mm at most"
    tare_kg = max(one.pallet_tare_kg for one in goods)
    if limits.mass_kg is not None and above_kg + tare_kg > limits.mass_kg + SLACK:
        yield f"{above_kg + tare_kg:.1f} kg heavy, {limits.mass_kg:.1f} kg at most"
