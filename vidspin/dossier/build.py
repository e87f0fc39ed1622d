"""How does a dossier come to be, whole or not at all?"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path

from vidspin.documents import Document, OtherSchemaError
from vidspin.dossier import bag, canonical
from vidspin.dossier.attempt import Attempt, expected_signers
from vidspin.dossier.document import (
    CHALLENGE_SCHEMA,
    SHORT_HASH,
    SPIN_SCHEMA,
    Chapter,
    manifest_document,
    read_document,
)
from vidspin.dossier.layout import (
    ATTEMPT_TOML,
    CHALLENGE_JSON,
    CHECKER,
    HOW_TO_CHECK,
    LONGEST_FOR_SCRIPT,
    LONGEST_RESULT_FILE,
    MANIFEST_JSON,
    RECORDING,
    RESULT,
    SPIN_JSON,
)
from vidspin.dossier.merkle import Pieces, leaves_text, read_pieces
from vidspin.dossier.reports import (
    HTML_REPORT,
    PDF_REPORT,
    Reporter,
    ReportFacts,
    page_of_the_result,
)
from vidspin.errors import CheckFailed, FootageError, UsageError
from vidspin.whole import new_folder, write_new
from vidspin.wording import plain

# What check_dossier.py reads whole, beside the lists.
_READ_BY_SCRIPT = (
    MANIFEST_JSON, ATTEMPT_TOML, *(f"{RESULT}/{name}" for name in (SPIN_JSON, "speed.csv")),
    *(f"{bag.DATA}/{name}" for name in (HTML_REPORT, PDF_REPORT)),
)  # fmt: skip

Tell = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody wants a dossier of.

    Attributes
    ----------
    result : Path
        The result folder.
    target : Path
        The dossier to be.
    recordings : tuple of (Path or None)
        The files of the recording in order; None where one was not found.
    include : bool
        Whether the recording itself goes in.
    attempt : Attempt
        What the maker states.
    challenge : bytes or None
        ``challenge.json`` of whoever made the challenge.
    private_tags : tuple of mapping
        For each file of the recording, places and serial numbers that may be told.
    overwrite : bool
        Replace a dossier that nobody has signed.
    version, created : str
        Of the program, and the time, RFC 3339 UTC.
    """

    result: Path
    target: Path
    recordings: tuple[Path | None, ...]
    include: bool = False
    attempt: Attempt = field(default_factory=Attempt)
    challenge: bytes | None = None
    private_tags: tuple[Mapping[str, str], ...] = ()
    overwrite: bool = False
    version: str = ""
    created: str = ""


@dataclass(frozen=True, slots=True)
class Made:
    """A dossier that was made.

    Attributes
    ----------
    manifest : dict
        ``manifest.json``.
    tag_hash : str
        SHA-256 of the tag manifest: what everybody signs.
    short_hash : str
        First digits of the manifest's SHA-256, as they stand on every page of the report.
    """

    manifest: Document
    tag_hash: str
    short_hash: str

    @property
    def filmed_after(self) -> str | None:
        """When the challenge was made that the recording shows, None without one."""
        fresh = self.manifest["challenge"]
        after: str | None = None if fresh is None else fresh["filmed_after"]
        return after


def read_spin(result: Path) -> Document:
    """Read the document of a result folder.

    Raises
    ------
    UsageError
        There is none, or it does not follow its schema.
    """
    if not os.path.lexists(result):
        raise UsageError("there is no such folder", where=plain(str(result)), do="check the name")
    if (result / RESULT / SPIN_JSON).is_file():
        raise UsageError(
            "a dossier, not a result folder", where=plain(str(result)),
            do=f"give {plain(str(result / RESULT))}",
        )  # fmt: skip
    if not (result / SPIN_JSON).exists():
        raise UsageError(
            "not a result: it holds no spin.json", where=plain(str(result)),
            do="give a folder that `vidspin measure` wrote",
        )  # fmt: skip
    try:
        return read_document(bag.read_small(result / SPIN_JSON), SPIN_SCHEMA)
    except OtherSchemaError as error:
        raise UsageError(str(error), where=plain(str(result)), do=error.DO) from error
    except ValueError as error:
        raise UsageError(
            f"not a result ({error})", where=plain(str(result)),
            do="give a folder that `vidspin measure` wrote",
        ) from error  # fmt: skip


def locate(
    spin: Document, result: Path, stated: Sequence[Path], *, option: str = "--recording-file"
) -> tuple[Path | None, ...]:
    """Find the files of the recording: as stated by an option, else beside the result folder.

    Raises
    ------
    UsageError
        Another number of files was stated than the recording has.
    """
    chapters = spin["recording"]["chapters"]
    if stated:
        if len(stated) != len(chapters):
            raise UsageError(
                f"the recording has {len(chapters)} file(s), not {len(stated)}",
                where=option, do="state each of them, in order",
            )  # fmt: skip
        return tuple(stated)
    found: list[Path | None] = []
    for chapter in chapters:
        name = str(chapter["name"])
        place = result.resolve().parent / name
        inside = name == Path(name).name and name not in ("", ".", "..") and "\\" not in name
        found.append(place if inside and place.is_file() else None)
    return tuple(found)


def check_target(target: Path, *, overwrite: bool) -> None:
    """Make sure that a dossier may be written here.

    Raises
    ------
    UsageError
        Something is there that may not be replaced: anything without `overwrite`; a dossier
        that carries seals or to which somebody has added files, or a folder that is no dossier,
        in any case.
    """
    where = plain(str(target))
    if not os.path.lexists(target):
        return
    if target.is_symlink() or not (target / bag.TAG_MANIFEST).is_file():
        raise UsageError("something else is in the way", where=where, do="choose another --out")
    if any((target / bag.SEALS).glob("*")):
        raise UsageError(
            "somebody has sealed this dossier already", where=where,
            do="keep it, and choose another place with --out",
        )  # fmt: skip
    if not overwrite:
        raise UsageError(
            "this dossier is already there", where=where, do="add --overwrite or choose --out"
        )
    foreign = _foreign_files(target)
    if foreign:
        raise UsageError(
            f"the folder holds what no list of the dossier names ({plain(foreign[0])})",
            where=where, do="move it out of the way; --overwrite replaces dossiers only",
        )  # fmt: skip


def _foreign_files(dossier: Path) -> list[str]:
    """Paths that neither list of a dossier names: somebody's own, and they would be lost."""
    tree, listed = bag.look_through(dossier), {bag.TAG_MANIFEST}
    for name in (bag.MANIFEST, bag.TAG_MANIFEST):
        with suppress(ValueError, OSError):  # what a broken list names is nobody's to throw away
            listed |= set(bag.read_list(bag.read_small(dossier / name)))
    there = {*tree.sizes, *tree.odd}
    return sorted(path for path in there - listed if not bag.how_to_tidy(path))


def build(request: Request, tell: Tell, reporter: Reporter = page_of_the_result) -> Made:
    """Make a dossier.

    Parameters
    ----------
    request : Request
        What goes in, and where it goes.
    tell : callable
        Told (stage, done, total); a total of 0 where nobody knows.
    reporter : callable
        Makes the reports; by default only the result's own page goes in.

    Returns
    -------
    Made

    Raises
    ------
    UsageError
        The result is none, a file of it is missing or the place cannot be written.
    FootageError
        The recording is not there or cannot be read.
    CheckFailed
        A file of the recording is not the one that was measured.
    """
    check_target(request.target, overwrite=request.overwrite)
    spin = read_spin(request.result)
    try:
        with new_folder(request.target) as fresh:
            made = _fill(fresh, request, spin, tell, reporter)
    except OSError as error:
        raise UsageError(
            f"the dossier cannot be written ({error.strerror or error})",
            where=plain(str(request.target)), do="free the disk or choose another --out",
        ) from error  # fmt: skip
    return made


def _fill(root: Path, request: Request, spin: Document, tell: Tell, reporter: Reporter) -> Made:
    contents = _result_files(request.result, spin)
    chapters = _recording(root, request, spin, tell)
    challenge = _challenge(request.challenge)
    sealed: dict[str, bytes] = {
        f"{RESULT}/{name}": data for name, data in contents.items() if name != HTML_REPORT
    }
    if request.attempt.raw:
        sealed[ATTEMPT_TOML] = request.attempt.raw
    if challenge is not None:
        sealed[CHALLENGE_JSON] = canonical.dumps(challenge)
    for one in chapters:
        if one.pieces is not None and one.pieces_path is not None:
            sealed[one.pieces_path] = leaves_text(one.pieces.leaves)
    sizes = {path: (len(data), _sha256(data)) for path, data in sealed.items()}
    for one in chapters:
        if one.path is not None:
            sizes[one.path] = (one.bytes, one.sha256)
    manifest = manifest_document(
        version=request.version, created=request.created, spin=spin, chapters=chapters, files=sizes,
        attempt=request.attempt.facts, signers=expected_signers(request.attempt.facts),
        challenge=challenge,
    )  # fmt: skip
    try:
        manifest_bytes = canonical.dumps(manifest)
    except ValueError as error:  # the one text in it that nobody checked
        raise UsageError(
            "the recording's name is no UTF-8 and cannot be sealed",
            where=plain(str(request.result)), do="rename the recording and measure it again",
        ) from error  # fmt: skip
    facts = ReportFacts(
        contents, manifest, manifest_bytes, _sha256(manifest_bytes)[:SHORT_HASH],
        request.attempt.keys,
    )  # fmt: skip
    tell("making the reports", 0, 0)
    sealed[MANIFEST_JSON] = manifest_bytes
    sealed |= {f"{bag.DATA}/{name}": data for name, data in reporter(facts).items()}
    _refuse_too_long(sealed)
    for path, data in sealed.items():
        _write(root / path, data)
    for name in (HOW_TO_CHECK, CHECKER):
        _write(root / name, resources.files("vidspin.dossier").joinpath(name).read_bytes())
    hashes = {path: digest for path, (_, digest) in sizes.items()}
    hashes |= {path: _sha256(data) for path, data in sealed.items()}
    fields = _bag_info(manifest, facts.short_hash)
    return Made(manifest, bag.write_lists(root, hashes, fields), facts.short_hash)


def _refuse_too_long(sealed: Mapping[str, bytes]) -> None:
    """Refuse what the script in the dossier would call damaged."""
    for path in _READ_BY_SCRIPT:
        if len(sealed.get(path, b"")) > LONGEST_FOR_SCRIPT:
            raise UsageError(
                f"longer than its checks read ({LONGEST_FOR_SCRIPT >> 20} MiB)", where=path,
                do="make fewer rows with vidspin measure --from RESULT --every",
            )  # fmt: skip


def _bag_info(manifest: Document, short_hash: str) -> dict[str, str]:
    fields = {
        "Bag-Software-Agent": f"vidspin {manifest['vidspin_version']}",
        "Bagging-Date": manifest["created"][:10],
        "External-Description": "Evidence of one attempt with a spinning top",
        "External-Identifier": short_hash,
    }
    fresh = manifest["challenge"]
    if fresh is not None and fresh["filmed_after"] is not None:
        fields["Filmed-After"] = fresh["filmed_after"]
    return fields


def _result_files(result: Path, spin: Document) -> dict[str, bytes]:
    """Read the files that the result lists; nothing else of the folder goes in."""
    names = [SPIN_JSON, *map(str, spin["files"])]
    if (result / HTML_REPORT).is_file():
        names.append(HTML_REPORT)
    contents = {}
    for name in dict.fromkeys(names):
        path = result / name
        if not bag.is_safe_name(name) or path.is_symlink() or not path.is_file():
            raise UsageError(
                f"its file {plain(name)!r} is missing, a link or has an unsafe name",
                where=plain(str(result)), do="measure the recording again",
            )  # fmt: skip
        try:
            contents[name] = bag.read_small(path, longest=LONGEST_RESULT_FILE)
        except ValueError as error:
            raise UsageError(
                str(error), where=plain(str(path)), do="measure the recording again"
            ) from error
    return contents


def _recording(root: Path, request: Request, spin: Document, tell: Tell) -> list[Chapter]:
    stated = spin["recording"]["chapters"]
    tags = request.private_tags or ({},) * len(stated)
    taken: set[str] = set()
    chapters = []
    for number, (facts, source) in enumerate(zip(stated, request.recordings, strict=True), 1):
        name = _free_name(str(facts["name"]), number, taken)
        if source is None:
            if request.include:
                raise FootageError(
                    "the recording is not beside the result", where=plain(str(facts["name"])),
                    do="state where it is with --recording-file",
                )  # fmt: skip
            chapters.append(
                Chapter(facts["name"], None, facts["sha256"], facts["bytes"], None, None, {})
            )
            continue
        path = f"{RECORDING}/{name}" if request.include else None
        pieces = _read_recording(source, root / path if path else None, tell)
        if pieces.sha256 != facts["sha256"]:
            raise CheckFailed(
                "this is not the file that was measured", where=plain(str(source)),
                do="state the right one with --recording-file, or measure this one",
            )  # fmt: skip
        chapters.append(
            Chapter(
                facts["name"], path, pieces.sha256, pieces.size, pieces,
                f"{RECORDING}/{name}.pieces.txt", tags[number - 1],
            )
        )  # fmt: skip
    return chapters


def _free_name(own: str, number: int, taken: set[str]) -> str:
    """Keep the file's own name where every system can; else count."""
    ending = Path(own).suffix.lower() if bag.is_safe_name(f"a{Path(own).suffix}") else ""
    # the list of its pieces takes a longer name
    fits = bag.is_safe_name(own) and bag.is_safe_name(f"{own}.pieces.txt")
    kept = own if fits and not own.endswith(".pieces.txt") else ""
    name = kept or f"recording-{number}{ending}"
    while name.lower() in taken:
        name = f"recording-{number}{ending}"
        number += 1
    taken.add(name.lower())
    return name


def _read_recording(source: Path, copy: Path | None, tell: Tell) -> Pieces:
    try:
        size = source.stat().st_size
        stage = "hashing the recording" if copy is None else "copying the recording"

        def told(done: int) -> None:
            tell(stage, done, size)

        with source.open("rb") as file:
            if copy is None:
                return read_pieces(file, tell=told)
            copy.parent.mkdir(parents=True, exist_ok=True)
            with copy.open("xb") as target:
                pieces = read_pieces(file, copy_to=target, tell=told)
                target.flush()
                os.fsync(target.fileno())
                return pieces
    except FileNotFoundError as error:
        raise FootageError(
            "there is no such file", where=plain(str(source)), do="check --recording-file"
        ) from error
    except IsADirectoryError as error:
        if error.filename != str(source):
            raise
        raise FootageError(
            "this is a folder, not a recording", where=plain(str(source)), do="name the file itself"
        ) from error
    except PermissionError as error:
        if error.filename != str(source):
            raise
        raise FootageError(
            "permission denied", where=plain(str(source)),
            do="let yourself read it (chmod u+r), or copy it",
        ) from error  # fmt: skip


def _challenge(data: bytes | None) -> Document | None:
    if data is None:
        return None
    try:
        return read_document(data, CHALLENGE_SCHEMA)
    except ValueError as error:
        raise UsageError(
            f"not a challenge ({error})", where="--challenge",
            do="give the challenge.json of `vidspin challenge`",
        ) from error  # fmt: skip


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_new(path, data)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
