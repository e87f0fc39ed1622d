"""``vidspin measure``: from recordings to result folders."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.built import built_version
from vidspin.cli.camera import checked_profile, refuse_other_mode
from vidspin.cli.common import (
    FactOption,
    JsonOption,
    OutOption,
    OverwriteOption,
    Progress,
    QuietOption,
    check_instants,
    code_of,
    give_freed_back,
    give_pictures_back,
    parse_capture_rate,
    parse_every,
    parse_instant,
    parse_marks,
    parse_number,
    parse_pair,
    read_bounds,
    read_radii,
    refuse_split_names,
    told,
)
from vidspin.cli.references import parse_references, with_clock
from vidspin.errors import ExitCode, FootageError, NoTopError, UsageError, VidspinError
from vidspin.threads import load_meanwhile

if TYPE_CHECKING:
    from vidspin.records import Fact, FootageFacts, Result, Settings


LEAST_S = 2.0  # a mark is followed in windows of about a second, some of which have to agree


@dataclass(frozen=True, slots=True)
class Job:
    """One recording and where its result goes."""

    paths: tuple[Path, ...]
    name: str
    folder: Path
    facts: dict[str, Fact] = field(default_factory=dict)
    checkpoints: tuple[Path, str] | None = None  # folder and key, for work that goes on later


@dataclass(frozen=True, slots=True)
class Manner:
    """How to write and to tell, and what is read beside the recording."""

    overwrite: bool
    quiet: bool
    as_json: bool
    camera: Path | None = None


def measure(
    ctx: typer.Context,
    recordings: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RECORDING", help="Video files.", show_default=False, readable=False
        ),  # one that cannot be read is told by `footage`, and the others are measured
    ] = None,
    chapters: Annotated[
        bool,
        typer.Option("--chapters", help="The files are one recording that the camera split."),
    ] = False,
    out: OutOption = None,
    overwrite: OverwriteOption = False,
    centre: Annotated[
        str | None,
        typer.Option(metavar="X,Y", help="Centre of the mark's path, stored px [found]."),
    ] = None,
    radii: Annotated[
        str | None,
        typer.Option(metavar="A,B", help="Semi-axes of the mark's path, stored px [found]."),
    ] = None,
    tilt: Annotated[
        str | None,
        typer.Option(metavar="DEG", help="Tilt of its long axis, degrees clockwise [found]."),
    ] = None,
    marks: Annotated[
        str | None, typer.Option(metavar="N", help="Number of equal marks, 1 to 4 [found].")
    ] = None,
    between: Annotated[
        tuple[str, str] | None,
        typer.Option(metavar="LOW HIGH", help="Bounds on the speed, rev/min [0 6000]."),
    ] = None,
    captured_at: Annotated[
        str | None,
        typer.Option(metavar="FPS", help="Capture rate of slow motion, frames/s [from the file]."),
    ] = None,
    release: Annotated[
        str | None,
        typer.Option(metavar="T", help="Instant of the release, s or h:mm:ss [found]."),
    ] = None,
    topple: Annotated[
        str | None,
        typer.Option(metavar="T", help="Instant of the topple, s or h:mm:ss [found]."),
    ] = None,
    reason: Annotated[
        str,
        typer.Option(metavar="TEXT", help="Why you state an instant: needed, kept in the result."),
    ] = "",
    fact: FactOption = None,
    facts: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="TOML file of facts [attempt.toml beside it, if any]."),
    ] = None,
    every: Annotated[
        str | None,
        typer.Option(metavar="S", help="Distance of the rows of speed.csv, seconds [1]."),
    ] = None,
    source: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="RESULT",
            help="Work a result out again with other --every, --between (narrower), --release, "
            "--topple, --diameter or facts, without its recording.",
        ),
    ] = None,
    reference: Annotated[
        list[str] | None,
        typer.Option(
            metavar="T=CLOCK",
            help="An instant of the recording, s or h:mm:ss, and the same on a better clock: "
            "2030-05-01T10:00:00.5Z, or a stopwatch's 0:41:37.2. Twice or more.",
            show_default=False,
        ),
    ] = None,
    reference_within: Annotated[
        str | None,
        typer.Option(
            metavar="S",
            help="Each reference is that exact, ± seconds [half the last digit typed, and a frame "
            "interval].",
            show_default=False,
        ),
    ] = None,
    diameter: Annotated[
        str | None,
        typer.Option(
            metavar="MM",
            help="Diameter of the circle that the mark's middle runs on, for the run-out in mm.",
            show_default=False,
        ),
    ] = None,
    camera: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Profile of the camera, made by vidspin camera learn.",
            show_default=False,
        ),
    ] = None,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Measure the speed of a top from phone recordings.

    Each recording gets a folder NAME.spin with the speed against time and its uncertainty,
    release, topple and spin time, and pictures that let you see that it is right.

    Where the frames fit several speeds and nothing tells them apart, the result lists them
    with their odds, claims none, and the exit code is 5: state bounds with --between, or film
    until the top falls. Where a check of the recording fails, it is 6. Both write the result.
    """
    from vidspin.records import Settings
    from vidspin.units import rad_from_degrees

    settings = Settings(
        centre_px=None if centre is None else parse_pair(centre, "--centre"),
        radii_px=None if radii is None else read_radii(radii),
        tilt_rad=None if tilt is None else rad_from_degrees(parse_number(tilt, "--tilt")),
        marks=None if marks is None else parse_marks(marks),
        bounds_rpm=None if between is None else read_bounds(between),
        captured_at=None if captured_at is None else parse_capture_rate(captured_at),
        release_s=None if release is None else parse_instant(release, "--release"),
        topple_s=None if topple is None else parse_instant(topple, "--topple"),
        overrule_reason=reason,
        every_s=parse_every(every or "1"),
        diameter_mm=None
        if diameter is None
        else parse_number(diameter, "--diameter", low=0.0, above=True),
        references=parse_references(reference or [], reference_within),
    )
    check_instants(settings)
    if source is not None:
        from vidspin.cli.anew import refuse_options

        refuse_options({"RECORDING": recordings, "--chapters": chapters, "--centre": centre,
                        "--radii": radii, "--tilt": tilt, "--marks": marks,
                        "--captured-at": captured_at, "--reference": reference,
                        "--reference-within": reference_within, "--camera": camera})  # fmt: skip
        return _anew(source, (out, overwrite), settings, every, (facts, fact or ()),
                     quiet=quiet, as_json=as_json)  # fmt: skip
    if not recordings:
        raise UsageError("none is given", where="RECORDING", do="name a video file")
    jobs = _with_facts(plan_jobs(recordings, chapters=chapters, out=out), facts, fact or ())
    if settings.references and len(jobs) > 1:
        raise UsageError(
            "they belong to one recording", where="--reference", do="measure it by itself"
        )
    manner = Manner(overwrite, quiet, as_json, camera)
    return _measure_all(jobs, settings, manner, debug=bool(ctx.obj))


def _anew(  # what was told, as `measure` has it
    source: Path,
    place: tuple[Path | None, bool],
    settings: Settings,
    every: str | None,
    facts: tuple[Path | None, Sequence[str]],
    *,
    quiet: bool,
    as_json: bool,
) -> ExitCode:
    """Work a result out again without its recording."""
    from vidspin.again import Wanted
    from vidspin.cli.anew import Anew, measure_anew
    from vidspin.cli.told import facts_from_file
    from vidspin.facts import parse_facts

    file, stated = facts
    wanted = Wanted(
        None if every is None else settings.every_s, settings.bounds_rpm, settings.release_s,
        settings.topple_s, settings.overrule_reason,
        None if file is None else facts_from_file(file), settings.diameter_mm,
    )  # fmt: skip
    return measure_anew(
        Anew(source, *place, wanted, parse_facts(stated)), quiet=quiet, as_json=as_json
    )


def plan_jobs(recordings: Sequence[Path], *, chapters: bool, out: Path | None) -> list[Job]:
    """Decide what is one recording and where each result goes.

    Parameters
    ----------
    recordings : sequence of Path
        Video files.
    chapters : bool
        They are one recording, in this order.
    out : Path or None
        Folder for the result folders; beside the recording when None.

    Returns
    -------
    list of Job
        The name is that of the (first) file without its ending.

    Raises
    ------
    UsageError
        When two recordings would write to the same folder.
    """
    refuse_split_names(recordings)
    groups = [tuple(recordings)] if chapters else [(path,) for path in recordings]
    if len(groups) == 1 and (folders := [path for path in groups[0] if path.is_dir()]):
        raise FootageError(  # before its own name is taken for that of a result in the way
            "this is a folder, not a recording", where=str(folders[0]),
            do="name the file itself, or vidspin overnight for all in it",
        )  # fmt: skip
    jobs: list[Job] = []
    for paths in groups:
        name = paths[0].stem
        folder = (paths[0].parent if out is None else out) / f"{name}.spin"
        if any(folder.resolve() == job.folder.resolve() for job in jobs):
            raise UsageError(
                "two of the recordings would share this result folder",
                where=str(folder),
                do="measure them one by one with different --out, or join them with --chapters",
            )
        jobs.append(Job(paths, name, folder))
    return jobs


def _with_facts(jobs: Sequence[Job], file: Path | None, stated: Sequence[str]) -> list[Job]:
    """Give each job what was told of it: the file's facts, overruled by those of the options."""
    from vidspin.cli.told import facts_beside, facts_from_file
    from vidspin.facts import parse_facts

    own = parse_facts(stated)
    common = None if file is None else facts_from_file(file)
    return [
        replace(job, facts={**(facts_beside(job.paths[0]) if common is None else common), **own})
        for job in jobs
    ]


def _measure_all(
    jobs: Sequence[Job], settings: Settings, manner: Manner, *, debug: bool
) -> ExitCode:
    """Measure one after the other; one bad recording does not stop the rest."""
    from vidspin.store import check_target

    for job in jobs:
        check_target(job.folder, overwrite=manner.overwrite)
    codes = []
    for number, job in enumerate(jobs):
        if number and not manner.quiet and not manner.as_json:
            typer.echo("")
        try:
            codes.append(measure_one(job, settings, manner))
        except VidspinError as error:
            if len(jobs) == 1 or debug:
                raise
            typer.echo(f"vidspin: {error}", err=True)
            codes.append(ExitCode.BATCH_FAILED)
    # The highest code tells most: failed, a failed check, unresolved, done.
    return max(codes)


def measure_one(
    job: Job,
    settings: Settings,
    manner: Manner,
    telling: Callable[..., Progress] = Progress,
) -> ExitCode:
    """Measure one recording, write its folder and tell the result."""
    with ExitStack() as aside:
        return _measure_one(job, settings, manner, telling, aside)


def _measure_one(
    job: Job,
    settings: Settings,
    manner: Manner,
    telling: Callable[..., Progress],
    aside: ExitStack,
) -> ExitCode:
    """Do so; what is set aside meanwhile goes with `aside`."""
    from vidspin.footage.frames import Recording
    from vidspin.measure import measure as measure_footage
    from vidspin.store.folder import draft_of, write_draft
    from vidspin.store.spool import FileProfiles, FileRows, KeptProfiles, SetAside
    from vidspin.store.tables import write_sightings
    from vidspin.summary import summarise
    from vidspin.units import rfc3339

    give_pictures_back()
    with telling(job.name, shown=not manner.quiet) as progress:
        footage = Recording.open(job.paths, captured_at=settings.captured_at)
        load_meanwhile("scipy.optimize")  # the first frames are decoded before it is wanted
        if manner.camera is not None:
            settings = replace(settings, camera=checked_profile(manner.camera, footage.facts))
        elif settings.camera is not None:  # of a batch, whose profiles are read beforehand
            name = f"camera profile {settings.camera.name}"
            leave = "leave camera out of vidspin.toml for it"
            refuse_other_mode(settings.camera, footage.facts, where=name, do=leave)
        if settings.references or (settings.camera and settings.camera.clock_ppm):
            settings = with_clock(settings, footage.facts)
            footage = footage.on_clock(settings.clock.value if settings.clock else 0.0)
        facts = footage.facts
        try:
            kept = job.checkpoints
            with (
                KeptProfiles(*kept) if kept else FileProfiles() as profiles,
                FileRows() as answers,
            ):
                result = measure_footage(
                    footage,
                    settings,
                    version=built_version(),
                    created=rfc3339(datetime.now(UTC).replace(microsecond=0)),
                    progress=_thrifty(progress, large=_is_large(footage.facts)),
                    profiles=profiles,
                    answers=answers,
                )
                del footage  # what it knows of every packet
                give_freed_back()
                kept_table = aside.enter_context(SetAside(partial(write_sightings, result)))
        except NoTopError as error:
            error = _if_short(error, facts)
            raise _with_picture(error, job, overwrite=manner.overwrite) from error
        draft = draft_of(replace(result, facts=job.facts), kept_table.put)
        result = _of_ends(replace(result, facts=job.facts))
        give_freed_back()
        progress("drawing", 0, 0)
        from vidspin.figures import draw_all
        from vidspin.figures.stills import draw_stills

        pictures = draw_all(result) | draw_stills(result)
    give_freed_back()
    document = write_draft(
        draft, pictures, job.folder, overwrite=manner.overwrite, report=_page_of
    )  # fmt: skip
    if manner.as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
    elif not manner.quiet:
        typer.echo(summarise(result, folder=job.folder, files=told(document["files"])))
    return code_of(result)


def _of_ends(result: Result) -> Result:
    """Leave out what only tables tell of the frames between the first and the last.

    Pictures and words still ask for its ends, for residuals, and whether all turns were counted.
    """
    import numpy as np

    seen, basis = result.sightings, result.basis
    ends = {column.name: getattr(seen, column.name)[[0, -1]] for column in fields(seen)}
    if basis is not None:
        rows = {
            column.name: getattr(basis, column.name)[:1]
            for column in fields(basis)
            if column.name != "answer"
        }  # its file is closed by now
        basis = replace(basis, **rows, answer=np.empty((1, 0)))
    return replace(result, sightings=replace(seen, **ends), basis=basis)


def _thrifty(progress: Progress, *, large: bool) -> Callable[[str, int, int], None]:
    """Tell the progress, and clear up after each stage: a long recording leaves many pieces.

    What draws is loaded while frames are read, and the decoder keeps the rest waiting; of large
    pictures only afterwards, since their reading needs its 50 MiB as well.
    """
    from vidspin.figures import DRAWN_WITH
    from vidspin.frames.reading import READING

    stage = ""

    def told_so(name: str, done: int, total: int) -> None:
        nonlocal stage
        if name != stage:
            stage = name
            give_freed_back()
            if stage == READING and not large:
                load_meanwhile(*DRAWN_WITH, "vidspin.report")
        progress(name, done, total)

    return told_so


def _is_large(facts: FootageFacts) -> bool:
    from vidspin.footage.opening import LARGE_PIXELS

    return any(chapter.width * chapter.height > LARGE_PIXELS for chapter in facts.chapters)


def _page_of(files: Mapping[str, bytes | Path]) -> bytes:
    """Draw up the report of a result from the contents of its files."""
    from vidspin.report import gather, html_report

    return html_report(gather(files)).encode()


def _if_short(error: NoTopError, facts: FootageFacts) -> NoTopError:
    """Name the true reason where nothing is followed in a recording that hardly lasts."""
    if facts.duration_s >= LEAST_S:
        return error
    short = NoTopError(
        f"the recording is too short, {facts.duration_s:.2f} s ({error.what})", where=error.where,
        do=f"film {LEAST_S:g} s or more, best until the top falls",
    )  # fmt: skip
    for name in ("picture", "scale", "found"):
        if hasattr(error, name):
            setattr(short, name, getattr(error, name))
    return short


def _with_picture(error: NoTopError, job: Job, *, overwrite: bool) -> NoTopError:
    """Write the picture that was looked at beside the place of the result, and say so."""
    from vidspin.figures.still import looked_at_picture
    from vidspin.whole import write_whole

    picture = getattr(error, "picture", None)
    if picture is None:
        return error
    path = job.folder.with_name(f"{job.name}.survey.png")
    number = 2
    while path.exists() and not overwrite:
        path = job.folder.with_name(f"{job.name}.survey-{number}.png")
        number += 1
    scale, found = getattr(error, "scale", 1.0), getattr(error, "found", None)
    drawn = looked_at_picture(picture, job.name, scale=scale, found=found)
    try:
        write_whole(path, drawn)
    except OSError:
        return error  # the picture is a courtesy: what went wrong is told without it
    return NoTopError(error.what, where=error.where, do=f"{error.do}; looked at: {path}")
