"""``vidspin rundown``: the law by which a top slows, its torque and power."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.cli.attempts import (
    FilesOption,
    JsonTextOption,
    PowerOption,
    ReplaceOption,
    SilentOption,
    between,
    tell,
    tell_files,
    write_files,
)
from vidspin.cli.common import parse_number
from vidspin.errors import UsageError

if TYPE_CHECKING:
    from vidspin.records import Fact
    from vidspin.workshop.mechanics import Drag
    from vidspin.workshop.rundown import Rundown


def rundown(
    result: Annotated[Path, typer.Argument(metavar="RESULT", help="Result folder.")],
    power: PowerOption = "auto",
    speeds: Annotated[
        tuple[str, str] | None,
        typer.Option("--between", metavar="LOW HIGH", help="Speeds that take part, rev/min [all]."),
    ] = None,
    inertia: Annotated[
        str | None,
        typer.Option(metavar="KG_M2", help="Moment of inertia, kg m² [fact inertia_kg_m2]."),
    ] = None,
    u_inertia: Annotated[
        str,
        typer.Option("--u-inertia", metavar="PERCENT", help="Its standard uncertainty, per cent."),
    ] = "0",
    diameter: Annotated[
        str | None, typer.Option(metavar="MM", help="Diameter of the top, mm [fact diameter_mm].")
    ] = None,
    temperature: Annotated[
        str | None,
        typer.Option(metavar="C", help="Of the air, degrees Celsius [fact temperature, else 20]."),
    ] = None,
    pressure: Annotated[
        str | None,
        typer.Option(metavar="HPA", help="Of the air, hPa [fact pressure, else 1013.25]."),
    ] = None,
    out: FilesOption = None,
    overwrite: ReplaceOption = False,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> int:
    """Fit the law by which a top slows: dω/dt = -(a + b·ω + c·ω^p).

    The law is fitted to the turned angle itself.  Forms with and without each term are weighed
    against each other; p is 3/2 (air on a disc, laminar), 9/5 (turbulent) or free.

    With the moment of inertia torque and power are told; with the diameter also the drag that a
    smooth free disc of that size would have, which no top of that size can undercut in the same
    air.

    Example: vidspin rundown wren.spin --inertia 2.1e-5 --diameter 45 --out wren_law
    """
    from vidspin.store import read_attempt
    from vidspin.workshop.plain import columns_csv, jsonable
    from vidspin.workshop.rundown import fit_rundown, forms_of_power
    from vidspin.workshop.telling import rundown_text

    forms = forms_of_power(power)
    attempt = read_attempt(result)
    stated = {
        "inertia_kg_m2": _number(inertia, "--inertia"),
        "diameter_mm": _number(diameter, "--diameter"),
        "temperature": _number(temperature, "--temperature", low=-90.0),
        "pressure": _number(pressure, "--pressure"),
    }
    share = 0.01 * parse_number(u_inertia, "--u-inertia", low=0.0)
    found = fit_rundown(attempt, forms=forms, between_rpm=between(speeds))
    drag = _drag(found, attempt.facts, stated, share)
    document = jsonable(found, without=("time_s", "residual_rad", "u_rad")) | {
        "drag": jsonable(drag)
    }
    tell(rundown_text(found, drag), document, quiet=quiet, as_json=as_json)
    if out is not None:
        from vidspin.figures.rundown import rundown_figure

        rows = None if attempt.rows is None else (attempt.rows.time_s, attempt.rows.speed_rad_s)
        best = found.best
        residuals = {"time_s": best.time_s, "residual_rad": best.residual_rad, "u_rad": best.u_rad}
        files: dict[str, str | bytes] = {
            "rundown.csv": columns_csv(best.table()),
            "residuals.csv": columns_csv(residuals),
            **rundown_figure(found, rows, drag),
        }
        if drag is not None:
            files["torque.csv"] = columns_csv(drag.table())
        tell_files(out, write_files(files, out, overwrite=overwrite), quiet=quiet or as_json)
    return 0


def _number(text: str | None, option: str, *, low: float = 0.0) -> float | None:
    return None if text is None else parse_number(text, option, low=low, above=True)


def _drag(
    found: Rundown, facts: dict[str, Fact], stated: dict[str, float | None], u_inertia: float
) -> Drag | None:
    """Turn the law into torque, with what was stated or else told as facts."""
    from vidspin.facts import fact_number
    from vidspin.workshop.drag import air
    from vidspin.workshop.mechanics import body_from, drag_of

    known = {k: fact_number(facts, k) if v is None else v for k, v in stated.items()}
    body = body_from(known["inertia_kg_m2"], known["diameter_mm"], u_inertia)
    if body is None:
        if stated["diameter_mm"] is not None:
            raise UsageError(
                "it needs the moment of inertia", where="--diameter", do="add --inertia"
            )
        return None
    temperature, pressure = known["temperature"], known["pressure"]
    medium = air(
        20.0 if temperature is None else temperature, 1013.25 if pressure is None else pressure
    )
    return drag_of(found, body, medium)
