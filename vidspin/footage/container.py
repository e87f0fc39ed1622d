"""What the container of a recording states.

Everything that can be known without looking at the pictures: exact frame times, nominal
rate, time scale, geometry, digest, and findings about what is missing, edited or ambiguous.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from threading import Event

from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from vidspin.errors import FootageError
from vidspin.footage import rates
from vidspin.footage.boxes import Movie, TopBox, read_movie, walk_top
from vidspin.footage.decoding import Decoder, Packets, decodes_luma
from vidspin.footage.edits import edit_list_finding
from vidspin.footage.joining import Joined, join
from vidspin.footage.opening import MAX_PACKETS, MAX_PIXELS, file_state, open_video
from vidspin.footage.packets import Track, findings
from vidspin.footage.picture import picture_facts
from vidspin.footage.slices import StreamMarks
from vidspin.footage.stretches import decodes_from
from vidspin.footage.table import FrameTable, TableBuilder
from vidspin.footage.wholeness import wholeness
from vidspin.records import ChapterFacts, Check
from vidspin.threads import beside

MAX_SPAN_S = 7 * 86_400
_PROBED_PACKETS = 600  # packets that may be damaged before the first good picture
CAPTURE_RATE_KEY = "com.android.capture.fps"
# Only these are carried along: tags also hold places, serial numbers and people's names.
ALLOWED_TAGS = frozenset(
    {
        "com.android.capture.fps",
        "com.android.manufacturer",
        "com.android.model",
        "com.android.version",
        "com.apple.quicktime.camera.framereadouttimeinmicroseconds",
        "com.apple.quicktime.full-frame-rate-playback-intent",
        "com.apple.quicktime.make",
        "com.apple.quicktime.model",
        "com.apple.quicktime.software",
        "compatible_brands",
        "creation_time",
        "encoder",
        "handler_name",
        "major_brand",
        "make",
        "model",
        "vendor_id",
    }
)
_LONGEST_TAG = 120
_HASHED_BYTES = 1 << 18  # at a time


@dataclass(frozen=True, slots=True)
class Chapter:
    """One file of a recording: its facts and what decoding it needs.

    Attributes
    ----------
    place : Path
        The file, as an absolute path.
    facts : ChapterFacts
        What the container states.
    table : FrameTable
        Frame times and key frames.
    checks : tuple of Check
        Findings about this file alone.
    missing : tuple of str
        What is missing of the file, in words.
    sound_s : float or None
        Length of the sound in seconds.
    state : tuple of int
        Size and modification time when it was examined.
    strict : bool
        The decoder's damage checks suit this file.
    """

    place: Path
    facts: ChapterFacts
    table: FrameTable
    checks: tuple[Check, ...]
    missing: tuple[str, ...]
    sound_s: float | None
    state: tuple[int, int]
    strict: bool


def examine_all(paths: Sequence[Path], *, captured_at: Fraction | None) -> Joined[Chapter]:
    """Examine every chapter and put all of them on one scene clock.

    Parameters
    ----------
    paths : sequence of Path
        The file, or the chapters in the order in which they were filmed.
    captured_at : Fraction or None
        Capture rate in frames per second by the user's word; None: decide by the files.

    Returns
    -------
    Joined of Chapter
        Its `facts` are those of the scene, after the time scale.

    Raises
    ------
    FootageError
        A file cannot be read, or the chapters do not belong together.
    UsageError
        No file, the same file twice, or a capture rate that is not positive.
    """
    return join([examine(Path(path)) for path in paths], captured_at=captured_at)


def examine(path: Path) -> Chapter:
    """Examine one file; raises `FootageError` when it cannot be read as a recording."""
    state = file_state(path)
    try:
        boxes = walk_top(path)
        movie = read_movie(path, boxes)
    except OSError as error:
        raise FootageError("the disk cannot be read", where=path.name, do="copy it") from error
    with (
        open_video(path, strict=True, with_sound=True) as (container, stream),
        beside(partial(_sha256, path)) as digest,
    ):
        reading = _read(container, stream, path)
        strict = reading.rejected == 0
        if not strict:
            strict = _strict_suits(path, reading.table)
        chapter = _chapter(path, _Source(container, stream, boxes, movie), reading, strict=strict)
        sha256 = digest()
    growing = ("the file changed while it was read",) if file_state(path) != state else ()
    return replace(
        chapter,
        facts=replace(chapter.facts, bytes=state[0], sha256=sha256),
        state=state,
        missing=chapter.missing + growing,
        checks=(*chapter.checks, *(_growth_check(text) for text in growing)),
    )


@dataclass(frozen=True, slots=True)
class _Source:
    """An open file and its boxes."""

    container: InputContainer
    stream: VideoStream
    boxes: tuple[TopBox, ...]
    movie: Movie | None


@dataclass(frozen=True, slots=True)
class _Reading:
    """What one pass over the packets of a file gave."""

    table: FrameTable
    picture: VideoFrame | None  # the first one that could be decoded
    rejected: int  # packets that the decoder rejected before it
    unreadable: int  # places where no packet could be read
    sound_s: float | None
    video: Track
    sound: Track | None
    sound_base: Fraction | None


def _read(container: InputContainer, stream: VideoStream, path: Path) -> _Reading:
    avi = container.format.name == "avi"
    if avi and stream.codec_context.has_b_frames:
        raise FootageError(
            "this AVI file stores pictures out of order and states no usable times for them",
            where=path.name,
            do="give the file as the camera wrote it",
        )
    builder = TableBuilder(_time_base(stream, path), by_dts=avi)
    decoder = Decoder(stream)
    picture: VideoFrame | None = None
    sound = [one for one in container.streams.audio if one.codec_context is not None][:1]
    video, heard = Track(marks=_marks(stream)), Track()
    packets = Packets(container, stream, *sound)
    for packet in packets:
        if packet.stream_index != stream.index:
            if packet.pts is not None:
                heard.add(packet)
            continue
        builder.add(packet)
        video.add(packet)
        if picture is None and len(builder) <= _PROBED_PACKETS:
            picture = next(iter(decoder.feed(packet)), None)  # type: ignore[arg-type]
        elif len(builder) > MAX_PACKETS:
            raise FootageError(
                f"more than {MAX_PACKETS} frames", where=path.name, do="split the recording"
            )
    rejected = decoder.errors
    if picture is None:
        picture = next(iter(decoder.feed(None)), None)
    sound_s, base = None, None
    if len(heard.pts) and sound[0].time_base:
        base = Fraction(sound[0].time_base)
        sound_s = float((heard.pts[-1] + heard.durations[-1] - heard.pts[0]) * base)
    return _Reading(
        builder.finish(), picture, rejected, len(packets.failures), sound_s, video,
        heard if base is not None else None, base,
    )  # fmt: skip


def _marks(stream: VideoStream) -> StreamMarks | None:
    """Collect parameter sets where it is known how they are stored."""
    codec = stream.codec_context.codec.canonical_name
    if codec not in ("h264", "hevc"):
        return None
    return StreamMarks(codec, bytes(stream.codec_context.extradata or b""))


def _time_base(stream: VideoStream, path: Path) -> Fraction:
    base = stream.time_base
    if base is None or base <= 0:
        raise FootageError(
            "the file states no unit of time", where=path.name, do="give the camera's own file"
        )
    return Fraction(base.numerator, base.denominator)


def _strict_suits(path: Path, table: FrameTable) -> bool:
    """Tell damage at the start from a file whose every key frame fails strict checks."""
    others = [rank for rank in table.key_ranks[1:3].tolist()]
    return any(decodes_from(path, table, rank) for rank in others)


def _chapter(path: Path, source: _Source, reading: _Reading, *, strict: bool) -> Chapter:
    table = reading.table
    stream = source.stream
    picture = _usable(path, reading, stream)
    shown = picture_facts(picture, stream)
    rate = rates.nominal_rate(table.ticks, table.time_base)
    listed = 0 if table.by_dts else max(stream.frames, 0)  # AVI also counts empty slots
    missing, check = _missing(path, source, table, listed)
    checks = [
        check,
        *rates.rate_checks(rate, table.ticks, table.time_base),
        *_time_checks(table, reading.unreadable),
        *shown.checks,
        *_stream_checks(source.container, strict=strict),
        *_traces(source, reading, float(1 / rate.rate)),
    ]
    edits = None
    if source.movie is not None:
        edits, check = edit_list_finding(source.movie, stream.id, table.ticks, path)
        checks.append(check)
    tags = _tags(source)
    keys = source.movie.keys if source.movie is not None else {}
    capture, tag_check = _capture_rate(tags, keys.get(CAPTURE_RATE_KEY))
    if tag_check is not None:
        checks.append(tag_check)
    first, last = int(table.ticks[0]), int(table.ticks[-1])
    facts = ChapterFacts(
        # letters that are no UTF-8 cannot be kept in JSON; the path keeps them
        name=os.fsencode(path.name).decode("utf-8", "replace"),
        path=str(path),
        bytes=0,
        sha256="",
        container=_container_name(source),
        codec=stream.codec_context.codec.canonical_name,
        width=shown.width,
        height=shown.height,
        rotation_deg=shown.rotation_deg,
        mirrored=shown.mirrored,
        sample_aspect=shown.sample_aspect,
        bit_depth=shown.bit_depth,
        full_range=shown.full_range,
        time_base=table.time_base,
        frames_listed=listed,
        frame_rate=rate.rate,
        first_tick=first,
        duration_file_s=float((last - first) * table.time_base + 1 / rate.rate),
        capture_rate=capture,
        edit_list=edits,
        tags=tags, sound_s=reading.sound_s,
    )  # fmt: skip
    return Chapter(
        place=path.absolute(),
        facts=facts,
        table=table,
        checks=tuple(checks),
        missing=tuple(missing),
        sound_s=reading.sound_s,
        state=(0, 0),
        strict=strict,
    )


def _missing(
    path: Path, source: _Source, table: FrameTable, listed: int
) -> tuple[list[str], Check]:
    """Say what of the file is not there."""
    whole = wholeness(path, source.boxes, source.movie, source.stream.id)
    missing = list(whole.missing)
    if 0 < table.packets < listed:
        missing.append(f"{table.packets} of {listed} listed frames could be read")
    checked = whole.checked or listed > 0
    return missing, _whole_check(missing, checked=checked, frames=table.packets)


def _traces(source: _Source, reading: _Reading, frame_s: float) -> tuple[Check, ...]:
    """Say what the packets show of joining, cutting and copying."""
    movie = source.movie
    return findings(
        reading.video, reading.sound, time_base=reading.table.time_base,
        sound_base=reading.sound_base, frame_s=frame_s, tags=_tags(source),
        created=None if movie is None else movie.created,
        modified=None if movie is None else movie.modified,
    )  # fmt: skip


def _lenient_picture(path: Path) -> VideoFrame | None:
    """Decode a first picture with damage concealed; None when even that fails."""
    with open_video(path, strict=False) as (container, stream):
        decoder = Decoder(stream)
        for packet in Packets(container, stream):
            pictures = decoder.feed(packet)  # type: ignore[arg-type]
            if pictures or decoder.fed > _PROBED_PACKETS:
                return next(iter(pictures), None)
        return next(iter(decoder.feed(None)), None)


def _usable(path: Path, reading: _Reading, stream: VideoStream) -> VideoFrame:
    """Return a first picture; refuse what cannot be measured at all."""
    if reading.picture is None and not stream.width:
        raise FootageError(
            f"the size of its pictures is not readable or above {MAX_PIXELS:,} elements",
            where=path.name,
            do="film with at most 8K",
        )
    table, picture = reading.table, reading.picture or _lenient_picture(path)
    again = "copy the original from the camera again and keep this file untouched"
    if picture is None:
        raise FootageError("no picture of it can be decoded", where=path.name, do=again)
    if not decodes_luma(picture):
        kind = picture.format.name
        raise FootageError(
            f"pictures of kind {kind} hold no separate brightness of 8 or 10-16 bits",
            where=path.name,
            do="give the file as the camera wrote it",
        )
    if len(table.ticks) < 2:
        raise FootageError(
            "it holds fewer than two frames",
            where=path.name,
            do="give a video, or leave this chapter out",
        )
    span = (int(table.ticks[-1]) - int(table.ticks[0])) * table.time_base
    if span > MAX_SPAN_S:
        raise FootageError(
            f"its frame times span {float(span) / 3600:.3g} hours, which cannot be",
            where=path.name,
            do=again,
        )
    return picture


def _whole_check(missing: Sequence[str], *, checked: bool, frames: int) -> Check:
    if missing:
        return Check("file is whole", "fail", f"{frames} frames", "; ".join(missing))
    if not checked:
        note = "this container does not state how long it should be"
        return Check("file is whole", "unchecked", f"{frames} frames", note)
    return Check("file is whole", "pass", f"{frames} frames", "nothing is missing")


def _growth_check(text: str) -> Check:
    return Check("file at rest", "fail", "size or time changed", f"{text}: wait and repeat")


def _time_checks(table: FrameTable, unreadable: int) -> tuple[Check, ...]:
    faults = []
    if table.repeated:
        faults.append(f"{table.repeated} frames share the time of another one")
    if table.untimed:
        faults.append(f"{table.untimed} frames have no time")
    if unreadable:
        faults.append(f"{unreadable} places could not be read")
    figure = f"{len(table.ticks)} distinct times of {table.packets} frames"
    if faults:
        return (Check("frame times stated", "fail", figure, "; ".join(faults)),)
    return (Check("frame times stated", "pass", figure, "every frame has its own time"),)


def _stream_checks(container: InputContainer, *, strict: bool) -> list[Check]:
    checks = []
    count = sum(one.codec_context is not None for one in container.streams.video)
    if count > 1:
        note = "the one that a player prefers is measured"
        checks.append(Check("one video track", "unchecked", f"{count} tracks", note))
    if not strict:
        note = "the decoder's strict checks do not suit this file: damage may go unnoticed"
        checks.append(Check("damage checks", "unchecked", "switched off", note))
    return checks


def _container_name(source: _Source) -> str:
    if not source.boxes:
        return source.container.format.name.split(",")[0]
    brand = source.container.metadata.get("major_brand", "").strip()
    if brand in ("", "qt"):
        return "mov"
    return "3gp" if brand.startswith("3g") else "mp4"


def _tags(source: _Source) -> dict[str, str]:
    """Keep the tags on the allow-list, as printable text of bounded length."""
    stated: dict[str, object] = dict(source.stream.metadata)
    stated |= source.container.metadata
    if source.movie is not None:
        stated |= source.movie.keys
    kept = {}
    for key in sorted(stated):
        if key.lower() in ALLOWED_TAGS:
            text = "".join(one if one.isprintable() else " " for one in str(stated[key]))
            kept[key.lower()] = text.strip()[:_LONGEST_TAG]
    return kept


def _capture_rate(
    tags: dict[str, str], stated: str | float | None
) -> tuple[Fraction | None, Check | None]:
    text = tags.get(CAPTURE_RATE_KEY)
    if text is None:
        return None, None
    rate = rates.plausible_rate(text if stated is None else stated)
    if rate is None:
        note = "the file's capture rate is no usable number and is ignored"
        return None, Check("capture rate", "unchecked", text[:20], note)
    return rate, None


def _sha256(path: Path, nobody_waits: Event) -> str:
    """Hash a file; one that is no recording after all is not hashed to its end."""
    digest, block = hashlib.sha256(), memoryview(bytearray(_HASHED_BYTES))
    try:
        with path.open("rb", buffering=0) as file:
            while (count := file.readinto(block)) and not nobody_waits.is_set():
                digest.update(block[:count])
            return digest.hexdigest()
    except OSError as error:
        raise FootageError("the disk cannot be read", where=path.name, do="copy it") from error
