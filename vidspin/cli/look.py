"""``vidspin look``: step through the frames of a result, confirm or overrule its ends."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspin.cli.common import QuietOption
from vidspin.errors import CheckFailed, ExitCode, FootageError, UsageError

if TYPE_CHECKING:
    from vidspin.cli.anew import WorkedOut
    from vidspin.footage.frames import Recording
    from vidspin.review import Decision, Review, Scene

SPIN_JSON, REPORT = "spin.json", "report.html"
SAME_INSTANT_S = 1e-6
_ARRAYS = ("time_s", "angle_rad", "u_rad", "x_px", "y_px", "flags")


def look(
    result: Annotated[Path, typer.Argument(metavar="RESULT", help="Result folder.")],
    recording: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="Where the recording is; repeat for chapters [beside the result].",
            readable=False,
        ),  # fmt: skip
    ] = None,
    browser: Annotated[
        bool,
        typer.Option(
            "--browser/--no-browser",
            help="Open the page [only when the output goes to a terminal], or print its address.",
        ),
    ] = True,
    quiet: QuietOption = False,
    as_json: Annotated[
        bool,
        typer.Option("--json", help="Print JSON: the page's address, in the end the decisions."),
    ] = False,
) -> int:
    """Step through the frames of a result, confirm or overrule release and topple.

    A page that this machine alone can see shows the frames around release, topple, touches and
    alarms, with the ring and the fitted mark drawn over them. Overruling needs a reason; both
    values stay in the result's history. Ctrl-C or the page's own button ends the review.
    """
    place = result.resolve()
    if not quiet and sys.stderr.isatty():  # an hour of film takes a while
        typer.echo("reading the recording to see that it is the one that was measured", err=True)
    review = prepare(place, recording or [])
    words = not quiet and not as_json
    typer.echo(json.dumps({"address": review.address}) if as_json else f"look at {review.address}")
    if words:
        typer.echo("Whoever has this address can decide; Ctrl-C ends the review.")
    sys.stdout.flush()
    if browser and sys.stdout.isatty():
        import webbrowser

        webbrowser.open(review.address)
    try:
        review.serve()
    except KeyboardInterrupt:
        if words:
            typer.echo("")
    if as_json:
        typer.echo(json.dumps({"result": str(place), "decisions": review.decisions}))
    elif not quiet:
        typer.echo(f"review ended; decisions kept in {place.name}: {review.decisions}")
    return ExitCode.DONE


def prepare(place: Path, given: Sequence[Path]) -> Review:
    """Open a result and its recording for a review; nothing is answered yet.

    Raises
    ------
    UsageError
        The folder is no result.
    CheckFailed
        This is not the recording that was measured.
    FootageError
        The recording is not there or cannot be read.
    """
    from vidspin.figures.stills import encode_jpeg
    from vidspin.review import Pictures, Review

    scene, document = _scene(place)
    footage = _recording(document, place, given)
    bench = _Bench(place, footage)
    return Review(scene, Pictures(footage, scene.time_s, encode_jpeg), bench.decide)


def _scene(place: Path) -> tuple[Scene, dict[str, Any]]:
    from vidspin.dossier.build import read_spin
    from vidspin.review import Scene
    from vidspin.store.folder import read_result

    document = read_spin(place)  # what the schema lets pass
    stored = read_result(place)
    lengths = {len(stored.sightings.get(name, ())) for name in (*_ARRAYS, *stored.sightings)}
    if len(lengths) != 1 or 0 in lengths or stored.document != document:
        raise UsageError(
            "the file is damaged (it does not hold every frame)",
            where=str(place / "sightings.npz"), do="measure the recording again",
        )  # fmt: skip
    return Scene(document, stored.sightings, _fingerprint(place)), document


def _fingerprint(place: Path) -> str:
    try:
        return hashlib.sha256((place / SPIN_JSON).read_bytes()).hexdigest()
    except OSError as error:
        raise UsageError(
            f"it cannot be read ({error.strerror or error})", where=str(place / SPIN_JSON),
            do="start vidspin look again",
        ) from error  # fmt: skip


def _recording(document: dict[str, Any], place: Path, given: Sequence[Path]) -> Recording:
    """Open the recording that was measured, on the clock that the result's instants have."""
    from vidspin.dossier.build import locate
    from vidspin.footage.frames import Recording
    from vidspin.footage.opening import file_state
    from vidspin.stated import stated_in

    chapters = document["recording"]["chapters"]
    paths: list[Path] = []
    found = locate(document, place, given, option="--recording")
    for path, chapter in zip(found, chapters, strict=True):
        if path is None:
            raise FootageError(
                "the recording is not beside the result", where=repr(chapter["name"])[1:-1],
                do="say where it is with --recording",
            )  # fmt: skip
        if file_state(path)[0] != chapter["bytes"]:  # before reading all of it
            raise _another(path)
        paths.append(path)
    try:
        settings = stated_in(document)
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"the result is damaged ({type(error).__name__})", where=str(place),
            do="give a folder that `vidspin measure` wrote",
        ) from error  # fmt: skip
    footage = Recording.open(paths, captured_at=settings.captured_at)
    for path, facts, chapter in zip(paths, footage.facts.chapters, chapters, strict=True):
        if facts.sha256 != chapter["sha256"]:
            raise _another(path)
    clock = document["camera"]["clock_ppm"]
    return footage.on_clock(clock["value"] if settings.clock is not None else 0.0)


def _another(path: Path) -> CheckFailed:
    return CheckFailed(
        "this is not the file that was measured: size or SHA-256 differ from spin.json",
        where=path.name, do="give the recording as it was measured, with --recording",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Bench:
    """Keeps decisions in a result folder."""

    place: Path
    footage: Recording

    def decide(self, decision: Decision) -> Scene:
        """Keep a decision; the folder is replaced as a whole.

        Raises
        ------
        UsageError
            The result changed meanwhile, the instant cannot be, or the folder cannot be written.
        """
        from vidspin.review import with_review
        from vidspin.review.history import CONFIRMED
        from vidspin.store.folder import check_target
        from vidspin.units import rfc3339

        if _fingerprint(self.place) != decision.of:
            raise UsageError(
                "the result was changed since it was opened here", where=self.place.name,
                do="start vidspin look again",
            )  # fmt: skip
        scene, before = _scene(self.place)
        check_target(self.place, overwrite=True)
        confirmed = decision.action == CONFIRMED
        at = rfc3339(datetime.now(UTC).replace(microsecond=0))
        if confirmed:
            document, contents = before, self._others()
        else:
            made = self._overruled(scene, before, decision)
            document, contents = made.document, made.contents
        document = {**document, "files": sorted({*contents, REPORT})}
        self._write(with_review(document, decision, at=at, before=before), contents)
        return _scene(self.place)[0]

    def _others(self) -> dict[str, bytes]:
        from vidspin.store.folder import read_files

        files = read_files(self.place)
        return {name: data for name, data in files.items() if name not in (SPIN_JSON, REPORT)}

    def _overruled(self, scene: Scene, before: dict[str, Any], decision: Decision) -> WorkedOut:
        """Work the result out again with the instant of the frame that was shown."""
        from vidspin.again import Wanted
        from vidspin.cli.anew import worked_out
        from vidspin.review.history import instant_of

        time_s = float(scene.time_s[decision.frame])
        was = instant_of(before, decision.event)
        if was is not None and abs(time_s - was) < SAME_INSTANT_S:
            raise UsageError(
                f"this frame is the {decision.event} already", where="review page",
                do="confirm it, or overrule at another frame",
            )  # fmt: skip
        # stated instants are the recording's own, as people read them off
        stated_s = time_s * (1.0 + 1e-6 * self.footage.facts.clock_ppm)
        wanted = Wanted(reason=decision.reason)
        if decision.event == "release":
            wanted = replace(wanted, release_s=stated_s)
        else:
            wanted = replace(wanted, topple_s=stated_s)
        return self._with_stills(worked_out(self.place, wanted, {}), decision, time_s)

    def _with_stills(self, made: WorkedOut, decision: Decision, time_s: float) -> WorkedOut:
        """Add the frames around the new instant, in the place of those around the old one."""
        import numpy as np

        from vidspin.figures.stills import draw_stills
        from vidspin.figures.strips import event_strips
        from vidspin.frames.pictures import strip
        from vidspin.stills import stills

        result, ring = made.result, made.result.survey.ring
        x, y = (float(v[decision.frame]) for v in (result.sightings.x_px, result.sightings.y_px))
        if not np.isfinite([x, y]).all():
            x, y = ring.x_px, ring.y_px
        cut = strip(self.footage, result.survey, decision.event, time_s, x, y)
        if cut is None:
            return made
        alone = replace(result, strips=(cut,), timeline=None)
        listed = [
            {"file": still.file, "kind": still.kind, "time_s": still.time_s}
            for still in stills(alone)
        ]
        document = {**made.document, "stills": [*listed, *made.document["stills"]]}
        drawn = {**event_strips(alone), **draw_stills(alone)}
        return replace(made, document=document, contents={**made.contents, **drawn})

    def _write(self, document: dict[str, Any], contents: dict[str, bytes]) -> None:
        from vidspin.report import gather, html_report
        from vidspin.store.folder import write_files

        write_files(
            document, contents, self.place,
            report=lambda files: html_report(gather(files)).encode(),
        )  # fmt: skip
