"""Plan loads from a file, without a database."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from rimekeep.cli.output import out
from rimekeep.errors import invalid
from rimekeep.loading.core.drawing import deck_drawing
from rimekeep.loading.core.drives import CAUTION, drive_json, drive_words
from rimekeep.loading.core.drop_planner import plan_drives
from rimekeep.loading.core.plan import plan_json
from rimekeep.loading.core.profile_form import profiles_from
from rimekeep.loading.core.request import load_request
from rimekeep.loading.core.turns import turn_words


def plan_load(
    file: Annotated[
        Path, typer.Argument(help="JSON with truck, rules, temperature_classes, stops, pallets.")
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    rules: Annotated[
        list[Path] | None,
        typer.Option("--rules", help="JSON with weight rules of other places; may be given several times."),
    ] = None,
) -> None:
    """Plan the fewest trucks, legal on every axle after every drop; exit 1 when it cannot be done."""
    document = _read(file)
    profiles = profiles_from([(path.name, _read(path)) for path in rules or []])
    request = load_request(document, profiles)
    found = plan_drives(request)
    plan, request = found.plan, found.request
    if as_json:
        shown = plan_json(plan, request)
        if request.roads is not None:
            shown["drives"] = [drive_json(drive) for drive in found.drives]
        print(json.dumps(shown))
    else:
        word, needed = request.load_word, plan.trucks_needed
        trucks = f"{needed} truck{'' if word == 'trip' and needed == 1 else 's'}"
        trips = f"{len(plan.vehicles)} trips with " if word == "trip" else ""
        out.print(
            f"{plan.status}: {trips}{trucks}, {plan.visits} visits; "
            f"at least {plan.lower_bound} {word}s are needed"
        )
        for number, vehicle in enumerate(plan.vehicles, start=1):
            kind = f" ({request.trucks[vehicle.truck].name})" if len(request.trucks) > 1 else ""
            name = f"truck {number}{kind}"
            if plan.turns:
                name = f"{turn_words(plan.turns, number - 1)}{kind}"
            out.print(f"\n{name}\n{deck_drawing(request, vehicle)}", markup=False)
            for line in drive_words(found.drives[number - 1]) if found.drives else ():
                out.print(f"  {line}", markup=False)
        if found.drives:
            out.print(f"\n{CAUTION}", markup=False)
        for reason in plan.reasons:
            out.print(reason, markup=False)
    if plan.status == "infeasible":
        raise typer.Exit(1)


def _read(file: Path) -> Any:
    try:
        return json.loads(file.read_bytes())
    except OSError as error:
        raise invalid("FILE", f"{file}: {error.strerror}.", "Give the path of a JSON file.") from None
    except RecursionError:
        raise invalid(
            "FILE", f"{file} is nested too deeply.", "Write it as the documentation shows."
        ) from None
    except ValueError as error:
        raise invalid("FILE", f"{file} is not JSON: {error}.", "Save it as UTF-8 JSON.") from None
