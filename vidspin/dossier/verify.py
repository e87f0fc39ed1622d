"""Is a dossier what was sealed, who sealed it, and when?

A chain of trust: signatures fix the tag manifest, the tag manifest fixes the payload
manifest, that fixes every file of the payload.  Every step is reported, also those that
could not be made.  Nothing outside the folder is opened, no link is followed, and every
text of the dossier is told as data.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from vidspin.built import same_build
from vidspin.documents import Document
from vidspin.dossier import bag, consistency, remade
from vidspin.dossier.attempt import Attempt, expected_signers, read_attempt
from vidspin.dossier.document import (
    CHALLENGE_SCHEMA,
    MANIFEST_SCHEMA,
    SHORT_HASH,
    SPIN_SCHEMA,
    read_document,
)
from vidspin.dossier.examined import Examined, Expectations, Tell, Verification
from vidspin.dossier.filmed import Filmed
from vidspin.dossier.layout import (
    ATTEMPT_TOML,
    CHALLENGE_JSON,
    CHECKER,
    HOW_TO_CHECK,
    LONGEST_RESULT_FILE,
    MANIFEST_JSON,
    RESULT,
    SPIN_JSON,
)
from vidspin.dossier.reports import HTML_REPORT, PDF_REPORT, Reporter, ReportFacts
from vidspin.dossier.vouched import Vouched
from vidspin.errors import UsageError
from vidspin.units import rfc3339
from vidspin.wording import plain, plural

LONGEST_DOCUMENT = 1 << 28
LONGEST_REPORT = 1 << 28
_TAGS = {bag.BAGIT, bag.BAG_INFO, bag.MANIFEST, HOW_TO_CHECK, CHECKER}


def verify(
    root: Path, known: Expectations, tell: Tell, *, reporter: Reporter | None = None,
    version: str = "",
) -> Verification:  # fmt: skip
    """Check a dossier.

    Parameters
    ----------
    root : Path
        Its folder.
    known : Expectations
        What is known from elsewhere.
    tell : callable
        Told (stage, done, total).
    reporter : callable, optional
        Makes the reports once more, to be compared with those in the dossier.
    version : str
        Version and build of the program whose reports it makes.

    Raises
    ------
    UsageError
        There is no such folder, or it holds a result.
    """
    examined = Examined(root, tell)
    if (root / "spin.json").is_file() and not (root / bag.TAG_MANIFEST).exists():
        raise UsageError(
            "this is a result, not a dossier", where=str(root),
            do="make one of it with vidspin dossier",
        )  # fmt: skip
    if not any((root / name).exists() for name in (*_TAGS, bag.TAG_MANIFEST, bag.DATA)):
        raise UsageError(
            "this is no dossier", where=plain(str(root)),
            do="give the folder that vidspin dossier made",
        )  # fmt: skip
    tag_bytes = b""
    try:
        tag_bytes = examined.small(bag.TAG_MANIFEST)
    except ValueError:
        pass  # the lists say so in a moment
    vouched = Vouched(examined, known, tag_bytes)
    contents = _Contents(examined)
    contents.check_lists(trusted=bool(vouched.signers))
    contents.check_documents()
    if contents.manifest is not None:
        vouched.hold_against(contents.expected(contents.manifest))
    filmed = Filmed(examined, known, contents.manifest)
    filmed.check_recording()
    contents.check_agreement()
    if reporter is not None:
        contents.check_reports(reporter, version)
    after = filmed.check_freshness(vouched.sealed)
    return Verification(
        tuple(examined.steps), hashlib.sha256(tag_bytes).hexdigest(), vouched.signers,
        after, None if vouched.sealed is None else rfc3339(vouched.sealed), contents.spin,
    )  # fmt: skip


class _Contents:
    """Checks lists, documents and figures."""

    def __init__(self, examined: Examined) -> None:
        self._x = examined
        self.manifest: Document | None = None
        self.spin: Document | None = None
        self._challenge: Document | None = None

    def check_lists(self, *, trusted: bool) -> None:
        failed = len(self._x.steps)
        tags = self._list(bag.TAG_MANIFEST)
        payload = self._list(bag.MANIFEST)
        for path in sorted({*tags, *filter(bag.is_tag, self._x.hashes)}):
            if not bag.is_tag(path) or path not in _TAGS:
                self._x.fail("files", f"{path} does not belong in a dossier", path)
            else:
                self._listed(path, tags, bag.TAG_MANIFEST, list_is_good=trusted)
        for path in sorted(_TAGS - set(tags)):
            if tags:
                says = f"{bag.TAG_MANIFEST} does not list {path}"
                self._x.fail("files", says, bag.TAG_MANIFEST, path)
        whole = tags.get(bag.MANIFEST) == self._x.hashes.get(bag.MANIFEST)
        in_data = [path for path in self._x.hashes if path.startswith(f"{bag.DATA}/")]
        for path in sorted({*payload, *in_data}):
            self._listed(path, payload, bag.MANIFEST, list_is_good=whole)
        self._bag_info()
        if len(self._x.steps) == failed:
            says = f"all {plural(len(tags) + len(payload), 'listed file')} are there and as listed"
            self._x.say("files", "pass", says)

    def _list(self, path: str) -> dict[str, str]:
        try:
            return bag.read_list(self._x.small(path))
        except ValueError as error:
            self._x.fail("lists", f"{path}: {error}", path)
            return {}

    def _listed(
        self, path: str, listed: Mapping[str, str], name: str, *, list_is_good: bool
    ) -> None:
        """Hold one file against its list; where the list itself is doubtful, name it too."""
        suspects = (path,) if list_is_good else (path, name)
        if path not in listed:
            self._x.fail("files", f"{path} is not in {name}: it was added", *suspects)
        elif path not in self._x.hashes:
            self._x.fail("files", f"{path} is missing", *suspects)
        elif listed[path] != self._x.hashes[path]:
            says = f"{path} was changed: it is not what {name} says"
            if not list_is_good:
                says = f"{path} or its line in {name} was changed"
            self._x.fail("files", says, *suspects)

    def _bag_info(self) -> None:
        try:
            if self._x.small(bag.BAGIT) != bag.DECLARATION:
                self._x.fail("lists", f"{bag.BAGIT} does not declare BagIt 1.0", bag.BAGIT)
            lines = self._x.small(bag.BAG_INFO).decode("utf-8").splitlines()
        except ValueError:
            return  # missing or changed, which the lists have told already
        stated = [line.partition(": ")[2] for line in lines if line.startswith("Payload-Oxum: ")]
        if stated != [bag.oxum(self._x.tree.sizes)]:
            says = f"{bag.BAG_INFO} states another amount of payload than there is"
            self._x.fail("lists", says, bag.BAG_INFO)

    def check_documents(self) -> None:
        self.manifest = self._document(MANIFEST_JSON, MANIFEST_SCHEMA, in_canonical_form=True)
        self.spin = self._document(f"{RESULT}/{SPIN_JSON}", SPIN_SCHEMA)
        if CHALLENGE_JSON in self._x.hashes:
            self._challenge = self._document(
                CHALLENGE_JSON, CHALLENGE_SCHEMA, in_canonical_form=True
            )
        if self.manifest is None:
            return
        listed = {one["path"]: (one["bytes"], one["sha256"]) for one in self.manifest["files"]}
        reports = {f"{bag.DATA}/{name}" for name in (HTML_REPORT, PDF_REPORT)}
        sizes = self._x.tree.sizes
        there = {
            path: (sizes[path], digest)
            for path, digest in self._x.hashes.items()
            if path.startswith(f"{bag.DATA}/")
        }
        for path in sorted({*listed, *there} - reports - {MANIFEST_JSON}):
            if listed.get(path) != there.get(path):
                says = f"{plain(path)} {_odd(path in listed, path in there)}"
                self._x.fail("manifest", says, plain(path), MANIFEST_JSON)
        self._attempt(self.manifest)

    def _attempt(self, manifest: Document) -> None:
        """Hold what the maker wrote against what the manifest, and so the reports, make of it."""
        if ATTEMPT_TOML not in self._x.hashes:
            return
        try:
            facts = read_attempt(self._x.small(ATTEMPT_TOML), ATTEMPT_TOML).facts
        except (ValueError, UsageError) as error:
            self._x.fail("manifest", f"{ATTEMPT_TOML}: {plain(str(error))}", ATTEMPT_TOML)
            return
        if facts != manifest["attempt"]:
            says = f"{ATTEMPT_TOML} states another attempt than {MANIFEST_JSON}"
            self._x.fail("manifest", says, ATTEMPT_TOML, MANIFEST_JSON)

    def expected(self, manifest: Document) -> list[Document]:
        """List who is to sign; role and key follow from the attempt's facts."""
        named = expected_signers(manifest["attempt"])
        if manifest.get("signers", named) != named:
            says = f"{MANIFEST_JSON} names other signers than the attempt's facts"
            self._x.fail("manifest", says, MANIFEST_JSON)
        return named

    def _document(
        self, path: str, schema: str, *, in_canonical_form: bool = False
    ) -> Document | None:
        try:
            data = self._x.small(path, LONGEST_DOCUMENT)
            return read_document(data, schema, in_canonical_form=in_canonical_form)
        except ValueError as error:
            self._x.fail("schema", f"{path}: {plain(str(error))}", path)
            return None

    def check_agreement(self) -> None:
        if self.spin is None or self.manifest is None:
            return
        found = list(self._disagreements(self.spin, self.manifest))
        for path, says in found:
            self._x.fail("figures", f"{path}: {says}", path)
        reports = [n for n in (HTML_REPORT, PDF_REPORT) if f"{bag.DATA}/{n}" in self._x.hashes]
        if not found:
            told = "manifest and tables agree with spin.json"
            if reports:
                *most, last = consistency.headline(self.spin) or [""]
                stated = f"{', '.join(most)} and {last}" if most else last
                told += f"; {' and '.join(reports)} bear its hash"
                told += f" and state its {stated}" if stated else ""
            self._x.say("figures", "pass", told)

    def check_reports(self, reporter: Reporter, version: str) -> None:
        """Make the reports once more of the same files, and compare.

        Another build may put the same into other words: where it does, that stays open.
        """
        reports = [n for n in (HTML_REPORT, PDF_REPORT) if f"{bag.DATA}/{n}" in self._x.hashes]
        if self.spin is None or self.manifest is None or not reports:
            return
        by_eye = "compare their other figures with spin.json by eye"
        made_by = plain(str(self.manifest["vidspin_version"]))
        ours = same_build(str(self.manifest["vidspin_version"]), version)
        whose = f"made by vidspin {made_by}, and this is {version}"
        self._x.tell("making the reports once more", 0, 0)
        try:
            made = reporter(self._report_facts(self.spin, self.manifest))
        except Exception:  # noqa: BLE001 - sealed nonsense may trip whatever sets the pages
            why = "the files are damaged" if ours else f"they were {whose}"
            says = f"{why}, and the reports cannot be made of them again; {by_eye}"
            self._x.say("reports", "unchecked", says)
            return
        failed = len(self._x.steps)
        compared = []
        for name in sorted({*reports, *made}):
            path = f"{bag.DATA}/{name}"
            try:
                wrong = list(self._compared(name, made))
            except ValueError as error:
                says = f"{name} cannot be compared ({plain(str(error))}); {by_eye}"
                self._x.say("reports", "unchecked", says)
                continue
            for one in wrong if ours else ():
                self._x.fail("reports", f"{one.path}: {one.says}", path)
            if wrong and not ours:
                says = f"{name} was {whose}, which makes other words of the same files: "
                self._x.say("reports", "unchecked", f"{says}{wrong[0].says}; {by_eye}")
            compared += [] if wrong else [name]
        if len(self._x.steps) == failed:
            says = f"{' and '.join(compared)} say what is made of the dossier's files, word by word"
            self._x.say("reports", "pass", says if ours else f"{says} ({whose})")

    def _compared(self, name: str, made: Mapping[str, bytes]) -> Iterator[consistency.Disagreement]:
        path = f"{bag.DATA}/{name}"
        if path not in self._x.hashes:
            says = "it belongs to such a dossier and is not in it"
            yield consistency.Disagreement(name, says)
            return
        if name not in made:
            raise ValueError("it is not made of these files")
        compare = remade.in_page if name == HTML_REPORT else remade.in_paper
        yield from compare(made[name], self._x.small(path, LONGEST_REPORT), name)

    def _report_facts(self, spin: Document, manifest: Document) -> ReportFacts:
        """Gather what the reports were made from."""
        names = dict.fromkeys([SPIN_JSON, *map(str, spin["files"])])
        files = {
            name: self._x.small(f"{RESULT}/{name}", LONGEST_RESULT_FILE)
            for name in names
            if name != HTML_REPORT
        }
        manifest_bytes = self._x.small(MANIFEST_JSON, LONGEST_DOCUMENT)
        raw = self._x.small(ATTEMPT_TOML) if ATTEMPT_TOML in self._x.hashes else b""
        attempt = read_attempt(raw, ATTEMPT_TOML) if raw else Attempt()
        # what the maker wrote stands in its own order on the page, in that of letters here
        manifest = {**manifest, "attempt": attempt.facts}
        digest = hashlib.sha256(manifest_bytes).hexdigest()
        return ReportFacts(files, manifest, manifest_bytes, digest[:SHORT_HASH], attempt.keys)

    def _disagreements(self, spin: Document, manifest: Document) -> Iterator[tuple[str, str]]:
        """Go through the files that state figures; tell path and what is wrong."""
        for one in (
            *consistency.in_spin(spin),
            *consistency.with_manifest(spin, manifest, self._challenge),
        ):
            yield (MANIFEST_JSON if one.path in MANIFEST_JSON else f"{RESULT}/{one.path}"), one.says
        checks: dict[str, Callable[[bytes], Iterator[consistency.Disagreement]]] = {
            bag.BAG_INFO: lambda data: consistency.in_bag_info(manifest, data),
            f"{RESULT}/speed.csv": lambda data: consistency.in_speed_table(spin, data),
            f"{RESULT}/sightings.npz": lambda data: consistency.in_sightings(spin, data),
            f"{bag.DATA}/{HTML_REPORT}": lambda data: self._page(spin, data),
            f"{bag.DATA}/{PDF_REPORT}": lambda data: self._paper(spin, data),
        }
        for path, check in checks.items():
            if path not in self._x.hashes:
                continue
            try:
                data = self._x.small(path, LONGEST_RESULT_FILE)
            except ValueError as error:
                yield path, str(error)
                continue
            yield from ((path, one.says) for one in check(data))

    def _page(self, spin: Document, data: bytes) -> Iterator[consistency.Disagreement]:
        spin_hash = self._x.hashes[f"{RESULT}/{SPIN_JSON}"]
        return consistency.in_page(spin, spin_hash, data, HTML_REPORT)

    def _paper(self, spin: Document, data: bytes) -> Iterator[consistency.Disagreement]:
        attached = {}
        for name, path in (
            ("spin.json", f"{RESULT}/spin.json"),
            ("speed.csv", f"{RESULT}/speed.csv"),
            ("manifest.json", MANIFEST_JSON),
        ):
            try:
                attached[name] = self._x.small(path, LONGEST_RESULT_FILE)
            except ValueError as error:
                yield consistency.Disagreement(PDF_REPORT, f"{name} is not there: {error}")
        short_hash = self._x.hashes[MANIFEST_JSON][:SHORT_HASH]
        yield from consistency.in_paper(spin, data, attached, short_hash, PDF_REPORT)


def _odd(listed: bool, there: bool) -> str:
    """Say why a file of the dossier and its entry in the manifest are not one."""
    if listed and there:
        return f"is not what {MANIFEST_JSON} says"
    return f"is named in {MANIFEST_JSON} and is missing" if listed else f"is not in {MANIFEST_JSON}"
