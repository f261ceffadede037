"""Reading weight profiles of other places from plain data, and refusing two that clash."""

from collections.abc import Iterable, Mapping
from typing import Any, cast, get_args

from rimekeep.errors import Invalid
from rimekeep.loading.core.fields import FieldReader
from rimekeep.loading.core.gear import Law
from rimekeep.loading.core.measures import metric
from rimekeep.loading.core.profiles import (
    BUILT_IN,
    GrossRule,
    GroupRule,
    GroupWord,
    VehicleWord,
    WeightProfile,
)
from rimekeep.wording import say

_MOST_AXLES = 20
_FIELDS = (
    *("id", "title", "source", "gross", "groups", "drive_min_share_pct", "bridge_formula", "securing"),
)
_LAWS = tuple(law.value for law in Law)


def profiles_from(sources: Iterable[tuple[str, object]]) -> dict[str, WeightProfile]:
    """
    Return the built-in profiles with those of some sources, by id.

    Parameters
    ----------
    sources
        Name (a file's, for messages) and plain data: one profile, a list of them, or an object with the list
        ``profiles``. A profile gives ``id``, ``title``, ``source``, ``gross`` (entries of ``vehicle``,
        ``axles`` as [least, most], ``max_kg``), ``groups`` (entries of ``role``, ``axles``, ``max_kg``,
        ``from_mm``, ``to_mm``), ``drive_min_share_pct``, ``bridge_formula`` and by which rules loads are
        ``securing`` (``eu`` or ``us``).

    Raises
    ------
    Invalid
        A profile cannot be meant, or two of the same id say different things.
    """
    read = FieldReader()
    found = dict(BUILT_IN)
    known = dict.fromkeys(BUILT_IN, "the built-in ones")
    for name, data in sources:
        for k, entry in enumerate(_listed(data)):
            where = f"{name}: profiles[{k}]"
            profile = _profile(read, read.entry(entry, where), where)
            before = found.get(profile.id)
            if before is not None and before != profile:
                read.fault(
                    f"{where}.id",
                    say(
                        "The rules {id!r} are said in {known} too, and not the same.",
                        id=profile.id,
                        known=known[profile.id],
                    ),
                    say("Give one of them another id, or leave one file out."),
                )
            else:
                found[profile.id] = profile
                known.setdefault(profile.id, name)
    if read.faults:
        raise Invalid(
            "weight-profile", say("The weight rules cannot be used as they are."), tuple(read.faults)
        )
    return found


def chosen_profile(
    read: FieldReader, value: object, profiles: Mapping[str, WeightProfile]
) -> WeightProfile | None:
    """Return the profile a request asks for, None when it asks for none."""
    if value is None:
        return None
    if isinstance(value, str) and value in profiles:
        return profiles[value]
    read.fault(
        "rules.weight_profile",
        say("There are no weight rules {value!r:.40}.", value=value),
        say("Give one of {choices}, or the file that has them.", choices=", ".join(sorted(profiles))),
    )
    return None


def _listed(data: object) -> list[object]:
    if isinstance(data, Mapping) and "profiles" in data:
        data = data["profiles"]
    return data if isinstance(data, list) else [data]


def _profile(read: FieldReader, data: Mapping[str, Any], where: str) -> WeightProfile:
    for name in data:
        if name not in _FIELDS:
            read.fault(
                f"{where}.{name}"[:100],
                say("There is no such field of weight rules."),
                say("Remove or correct it."),
            )
    return WeightProfile(
        id=read.text(data, "id", where),
        title=read.text(data, "title", where),
        source=read.text(data, "source", where),
        gross=tuple(
            _gross(read, read.entry(one, f"{where}.gross[{k}]"), f"{where}.gross[{k}]")
            for k, one in enumerate(read.items(data, "gross", f"{where}.gross"))
        ),
        groups=tuple(
            _group(read, read.entry(one, f"{where}.groups[{k}]"), f"{where}.groups[{k}]")
            for k, one in enumerate(read.items(data, "groups", f"{where}.groups"))
        ),
        drive_min_share_pct=read.number(data, "drive_min_share_pct", where, default=0, most=100),
        has_bridge_formula=read.switch(data, "bridge_formula", where, default=False),
        securing=Law(_word(read, {"securing": Law.EU.value} | dict(data), "securing", where, _LAWS)),
    )


def _gross(read: FieldReader, data: Mapping[str, Any], where: str) -> GrossRule:
    data = metric(read, data, where, ("max_kg", "least_trailer_spacing_mm"))
    span = data.get("axles")
    counts = [n for n in (span if isinstance(span, list) else [span, span]) if type(n) is int and n >= 1]
    if len(counts) != 2 or not counts[0] <= counts[1] <= _MOST_AXLES:
        read.fault(
            f"{where}.axles",
            say("{span!r:.40} is no number of axles.", span=span),
            say("Give [least, most], as in [5, 6]."),
        )
        counts = [1, 1]
    return GrossRule(
        vehicle=cast(VehicleWord, _word(read, data, "vehicle", where, VehicleWord)),
        least_axles=counts[0],
        most_axles=counts[1],
        max_kg=read.number(data, "max_kg", where, is_above=True),
        needs_road_friendly=read.switch(data, "needs_road_friendly", where, default=False),
        least_trailer_spacing_mm=read.number(data, "least_trailer_spacing_mm", where, default=0),
    )


def _group(read: FieldReader, data: Mapping[str, Any], where: str) -> GroupRule:
    data = metric(read, data, where, ("max_kg", "from_mm", "to_mm"))
    return GroupRule(
        role=cast(GroupWord, _word(read, data, "role", where, GroupWord)),
        axles=read.whole(data, "axles", where, least=1, most=_MOST_AXLES) or 1,
        max_kg=read.number(data, "max_kg", where, is_above=True),
        from_mm=read.number(data, "from_mm", where, default=0),
        to_mm=None if data.get("to_mm") is None else read.number(data, "to_mm", where, is_above=True),
        is_to_included=read.switch(data, "is_to_included", where, default=False),
        needs_road_friendly=read.switch(data, "needs_road_friendly", where, default=False),
    )


def _word(read: FieldReader, data: Mapping[str, Any], key: str, where: str, words: Any) -> str:
    value, known = data.get(key), words if isinstance(words, tuple) else get_args(words)
    if value not in known:
        read.fault(
            f"{where}.{key}",
            say("{value!r:.40} is no {key} known here.", value=value, key=key),
            say("Give one of {choices}.", choices=", ".join(known)),
        )
        return str(known[0])
    return str(value)
