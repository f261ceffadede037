"""Reading axles and couplings from plain data, with every fault named by field and mended in words."""

from collections.abc import Mapping
from typing import Any

from rimekeep.loading.core.chassis import CentreAxleTrailer, DrawbarAxles, FullTrailer, RigidAxles, SemiAxles
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.measures import metric
from rimekeep.loading.core.vehicle import Axles
from rimekeep.wording import say

SEMI_LENGTHS = {"d_k_mm": "kingpin_x_mm", "L_s_mm": "kingpin_to_bogie_mm", "WB_mm": "wheelbase_mm"}
SEMI_WEIGHTS = {
    "F0_kg": "front_tare_kg",
    "D0_kg": "drive_tare_kg",
    "B0_kg": "bogie_tare_kg",
    "front_max_kg": "front_max_kg",
    "drive_max_kg": "drive_max_kg",
    "bogie_max_kg": "bogie_max_kg",
    "K_max_kg": "kingpin_max_kg",
}
SEMI_FIELDS = (
    *SEMI_LENGTHS, *SEMI_WEIGHTS, "e_mm", "K_min_kg", "drive_axles", "drive_spacing_mm", "driven_axles",
    "bogie_axles", "bogie_spacing_mm",
)  # fmt: skip
_RIGID_WEIGHTS = ("front_tare_kg", "rear_tare_kg", "front_max_kg", "rear_max_kg")
RIGID_FIELDS = (
    "front_axle_x_mm", "wheelbase_mm", *_RIGID_WEIGHTS, "rear_axles", "rear_spacing_mm", "driven_axles",
)  # fmt: skip
DRAWBAR_FIELDS = (*RIGID_FIELDS, "coupling_x_mm", "motor_max_kg", "trailer_max_kg", "trailer")
CENTRE_AXLE_FIELDS = (
    "eye_x_mm", "axle_x_mm", "tare_kg", "max_kg", "coupling_max_kg", "coupling_min_kg", "axles", "spacing_mm",
)  # fmt: skip
FULL_FIELDS = (
    "front_x_mm", "rear_x_mm", "front_tare_kg", "rear_tare_kg", "front_max_kg", "rear_max_kg", "drawbar_mm",
    "front_axles", "front_spacing_mm", "rear_axles", "rear_spacing_mm",
)  # fmt: skip
FIELDS = {"semi": SEMI_FIELDS, "rigid": RIGID_FIELDS, "drawbar": DRAWBAR_FIELDS}
_BODY_FIELDS = ("type", "name", "rows", "layouts", "deck", "pallet")
_MOST_AXLES = 4


def axles_of(read: FieldReader, data: Mapping[str, Any], where: str, chassis: str) -> Axles:
    """Return the axles of a truck of one chassis (``semi``, ``rigid``, ``drawbar``)."""
    if chassis == "rigid":
        return _rigid_axles(read, data, where)
    return _drawbar_axles(read, data, where) if chassis == "drawbar" else _semi_axles(read, data, where)


def _axle_count(read: FieldReader, data: Mapping[str, Any], key: str, where: str) -> int:
    return read.whole(data, key, where, least=1, most=_MOST_AXLES, is_optional=True) or 0


def _spacing(read: FieldReader, data: Mapping[str, Any], key: str, where: str, axles: int) -> float:
    """Return the distance between axles of a group, which one of several axles must have."""
    if data.get(key) is None:
        if axles > 1:
            read.fault(
                f"{where}.{key}",
                say("A group of {axles} axles needs the distance between them.", axles=axles),
                say("Give {key!r}.", key=key),
            )
        return 0.0
    return read.number(data, key, where, is_above=True, most=5000)


def _semi_axles(read: FieldReader, data: Mapping[str, Any], where: str) -> SemiAxles:
    if not any(key in data for key in (*SEMI_LENGTHS, *SEMI_WEIGHTS)):
        read.fault(
            where,
            say("The truck has no axles."),
            say(
                "Give d_k_mm, L_s_mm, WB_mm, e_mm, the tares F0_kg, D0_kg, B0_kg and the maxima, or kind "
                '"rigid" or "drawbar" with its axles.'
            ),
        )
    values = {
        ours: read.number(data, key, where, least=None if key == "d_k_mm" else 0, is_above=key != "d_k_mm")
        for key, ours in SEMI_LENGTHS.items()
    }
    values |= {ours: read.number(data, key, where) for key, ours in SEMI_WEIGHTS.items()}
    drive, bogie = (_axle_count(read, data, key, where) for key in ("drive_axles", "bogie_axles"))
    axles = SemiAxles(
        **values,
        fifth_wheel_lead_mm=read.number(data, "e_mm", where, least=None),
        kingpin_min_kg=read.number(data, "K_min_kg", where, default=0, least=None),
        drive_axles=drive,
        drive_spacing_mm=_spacing(read, data, "drive_spacing_mm", where, drive),
        driven_axles=_axle_count(read, data, "driven_axles", where),
        bogie_axles=bogie,
        bogie_spacing_mm=_spacing(read, data, "bogie_spacing_mm", where, bogie),
    )
    if not read.faults and axles.kingpin_min_kg > axles.kingpin_max_kg:
        read.fault(
            f"{where}.K_min_kg",
            say("The kingpin's least load is above its greatest."),
            say("Swap or correct them."),
        )
    if not read.faults and axles.fifth_wheel_lead_mm > axles.wheelbase_mm:
        read.fault(
            f"{where}.e_mm",
            say(
                "The fifth wheel, {fifth_wheel_lead_mm:g} mm ahead of the drive axle, would stand ahead "
                "of the front axle, {wheelbase_mm:g} mm ahead of it.",
                fifth_wheel_lead_mm=axles.fifth_wheel_lead_mm,
                wheelbase_mm=axles.wheelbase_mm,
            ),
            say("Measure from the drive axle forwards."),
        )
    _check_axles(
        read, axles, where, {"front": "front_max_kg", "drive": "drive_max_kg", "bogie": "bogie_max_kg"}
    )
    return axles


def _rigid_axles(read: FieldReader, data: Mapping[str, Any], where: str) -> RigidAxles:
    rear = _axle_count(read, data, "rear_axles", where)
    axles = RigidAxles(
        front_axle_x_mm=read.number(data, "front_axle_x_mm", where, least=None),
        wheelbase_mm=read.number(data, "wheelbase_mm", where, is_above=True),
        **{key: read.number(data, key, where) for key in _RIGID_WEIGHTS},
        rear_axles=rear,
        rear_spacing_mm=_spacing(read, data, "rear_spacing_mm", where, rear),
        driven_axles=_axle_count(read, data, "driven_axles", where),
    )
    _check_axles(read, axles, where, {"front": "front_max_kg", "rear": "rear_max_kg"})
    return axles


def _drawbar_axles(read: FieldReader, data: Mapping[str, Any], where: str) -> DrawbarAxles:
    motor = _rigid_axles(read, data, where)
    here = f"{where}.trailer"
    given = read.part(data, "trailer", here)
    if given.get("type") not in ("centre_axle", "full"):
        read.fault(
            f"{here}.type",
            say("{get!r:.40} is not a type of trailer known here.", get=given.get("type")),
            say(
                'Give "centre_axle" (its eye presses on the coupling) or "full" (it stands on its own axles).'
            ),
        )
    is_full = given.get("type") == "full"
    given = metric(read, given, here, FULL_FIELDS if is_full else CENTRE_AXLE_FIELDS)
    for name in given:
        if name not in (
            *FULL_FIELDS,
            *CENTRE_AXLE_FIELDS,
            "type",
            "rows",
            "layouts",
            "deck",
            "pallet",
            "name",
        ):
            read.fault(
                f"{here}.{name}"[:100],
                say("There is no such field of a trailer."),
                say("Remove it or correct its name."),
            )
    axles = DrawbarAxles(
        motor=motor,
        trailer=_full(read, given, here) if is_full else _centre_axle(read, given, here),
        coupling_x_mm=read.number(data, "coupling_x_mm", where, least=None),
        motor_max_kg=read.number(data, "motor_max_kg", where, default=0),
        trailer_max_kg=read.number(data, "trailer_max_kg", where, default=0),
    )
    if not read.faults and axles.coupling_x_mm <= motor.front_axle_x_mm:
        read.fault(
            f"{where}.coupling_x_mm",
            say(
                "The coupling at {coupling_x_mm:g} mm is ahead of the front axle at {front_axle_x_mm:g} mm.",
                coupling_x_mm=axles.coupling_x_mm,
                front_axle_x_mm=motor.front_axle_x_mm,
            ),
            say("Measure both from the inside of the truck body's front wall, backwards."),
        )
    for name, most, tare in (
        ("motor_max_kg", axles.motor_max_kg, motor.tare_kg),
        ("trailer_max_kg", axles.trailer_max_kg, axles.trailer.tare_kg),
    ):
        if not read.faults and 0 < most < tare:
            read.fault(
                f"{where}.{name}",
                say("Empty it weighs {tare:g} kg and may weigh {most:g} kg.", tare=tare, most=most),
                say("Check the tare and the limit."),
            )
    _check_axles(
        read,
        axles,
        where,
        {
            "trailer": "trailer.max_kg",
            "trailer_front": "trailer.front_max_kg",
            "trailer_rear": "trailer.rear_max_kg",
        },
    )
    return axles


def _centre_axle(read: FieldReader, data: Mapping[str, Any], where: str) -> CentreAxleTrailer:
    count = _axle_count(read, data, "axles", where)
    trailer = CentreAxleTrailer(
        eye_x_mm=read.number(data, "eye_x_mm", where, least=None),
        axle_x_mm=read.number(data, "axle_x_mm", where, least=None),
        tare_kg=read.number(data, "tare_kg", where),
        max_kg=read.number(data, "max_kg", where),
        coupling_max_kg=read.number(data, "coupling_max_kg", where),
        coupling_min_kg=read.number(data, "coupling_min_kg", where, default=0, least=None),
        axles=count,
        spacing_mm=_spacing(read, data, "spacing_mm", where, count),
    )
    _in_order(read, where, ("eye_x_mm", trailer.eye_x_mm), ("axle_x_mm", trailer.axle_x_mm))
    return trailer


def _full(read: FieldReader, data: Mapping[str, Any], where: str) -> FullTrailer:
    front, rear = (_axle_count(read, data, key, where) for key in ("front_axles", "rear_axles"))
    trailer = FullTrailer(
        front_x_mm=read.number(data, "front_x_mm", where, least=None),
        rear_x_mm=read.number(data, "rear_x_mm", where, least=None),
        **{key: read.number(data, key, where) for key in _RIGID_WEIGHTS},
        drawbar_mm=read.number(data, "drawbar_mm", where, default=0),
        front_axles=front,
        front_spacing_mm=_spacing(read, data, "front_spacing_mm", where, front),
        rear_axles=rear,
        rear_spacing_mm=_spacing(read, data, "rear_spacing_mm", where, rear),
    )
    _in_order(read, where, ("front_x_mm", trailer.front_x_mm), ("rear_x_mm", trailer.rear_x_mm))
    return trailer


def _in_order(read: FieldReader, where: str, ahead: tuple[str, float], behind: tuple[str, float]) -> None:
    if not read.faults and not ahead[1] < behind[1]:
        read.fault(
            f"{where}.{behind[0]}",
            say(
                "{behind} at {behind_1:g} mm is not behind {ahead} at {ahead_1:g} mm.",
                behind=behind[0],
                behind_1=behind[1],
                ahead=ahead[0],
                ahead_1=ahead[1],
            ),
            say("Measure backwards from the inside of the front wall, and give the front one first."),
        )


def _check_axles(read: FieldReader, axles: Axles, where: str, fields: Mapping[str, str]) -> None:
    """Note axles that are over their limit empty, and groups that reach past the one ahead."""
    for ahead, group in zip((None, *axles.groups), axles.groups, strict=False):
        if group.name in fields and not read.faults and group.tare_kg > group.max_kg:
            read.fault(
                f"{where}.{fields[group.name]}",
                say(
                    "The empty axle carries {tare_kg:g} kg and may carry {max_kg:g} kg.",
                    tare_kg=group.tare_kg,
                    max_kg=group.max_kg,
                ),
                say("Check the tare and the limit."),
            )
        if ahead is None or read.faults:
            continue
        reach = sum(one.spacing_mm * (max(one.axles, 1) - 1) / 2 for one in (ahead, group))
        apart = group.road_x_mm - ahead.road_x_mm
        # A trailer's place behind the truck is known only where its drawbar is given.
        is_known = group.name != "trailer_front" or apart > 0
        if is_known and apart <= reach:
            read.fault(
                where,
                say(
                    "The axles stand in the wrong order: {name} begins {apart:g} mm behind {ahead_name}.",
                    name=group.name,
                    apart=apart - reach,
                    ahead_name=ahead.name,
                ),
                say("Check wheelbase, coupling and the distances between the axles of a group."),
            )
        if group.driven > max(group.axles, 1):
            read.fault(
                f"{where}.driven_axles",
                say(
                    "{driven} of {axles} axles of the group {name} would be driven.",
                    driven=group.driven,
                    axles=max(group.axles, 1),
                    name=group.name,
                ),
                say("Give at most the axles there are."),
            )
