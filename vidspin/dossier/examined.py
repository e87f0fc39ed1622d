"""What was found in a dossier's folder, and what was said of it so far?"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from vidspin.documents import Document
from vidspin.dossier import bag, timestamp
from vidspin.dossier.layout import RECORDING
from vidspin.dossier.merkle import Pieces, read_pieces
from vidspin.wording import plain

Tell = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that was looked at.

    Attributes
    ----------
    name : str
        What was looked at, a word or two.
    state : str
        ``pass``, ``fail`` or ``unchecked``.
    says : str
        The finding, one plain sentence.
    files : tuple of str
        Files that a failure is about, in the order of suspicion.
    """

    name: str
    state: str
    says: str
    files: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Expectations:
    """What the one who checks knows from elsewhere.

    Attributes
    ----------
    recordings : tuple of Path
        The files of the recording, in order; empty when they are not at hand.
    authorities : tuple of Certificate
        Roots of time stamp authorities, from their own sites.
    fingerprints : dict of str to str
        Role and key fingerprint, from paper or telephone.
    challenge : str or None
        Text of the challenge that was handed out.
    """

    recordings: tuple[Path, ...] = ()
    authorities: tuple[timestamp.Certificate, ...] = ()
    fingerprints: Mapping[str, str] = field(default_factory=dict)
    challenge: str | None = None


@dataclass(frozen=True, slots=True)
class Verification:
    """What a dossier turned out to be.

    Attributes
    ----------
    steps : tuple of Step
        All of them, in order.
    tag_hash : str
        SHA-256 of the tag manifest.
    signers : dict of str to str
        Role and key fingerprint of each good signature.
    filmed_after, sealed_before : str or None
        Bounds on the time, RFC 3339, as far as they hold.
    spin : dict or None
        ``spin.json``, when it could be read.
    """

    steps: tuple[Step, ...]
    tag_hash: str
    signers: dict[str, str]
    filmed_after: str | None
    sealed_before: str | None
    spin: Document | None

    @property
    def good(self) -> bool:
        """Nothing failed."""
        return all(step.state != "fail" for step in self.steps)


class Examined:
    """The files of a folder, each read once, and the findings about them.

    Nothing outside the folder is opened and no link is followed.

    Parameters
    ----------
    root : Path
        The folder.
    tell : callable
        Told (stage, done, total).
    """

    def __init__(self, root: Path, tell: Tell) -> None:
        self.root, self.tell = root, tell
        self.tree = bag.look_through(root)
        self.hashes: dict[str, str] = {}  # path and SHA-256 of every plain file
        self.pieces: dict[str, Pieces] = {}  # of recordings in the dossier
        self.steps: list[Step] = []
        self._read_all()

    def say(self, name: str, state: str, says: str, *files: str) -> None:
        """Add a finding."""
        self.steps.append(Step(name, state, says, files))

    def fail(self, name: str, says: str, *files: str) -> None:
        """Add a finding that something is wrong, with the files that are suspected."""
        tidy = bag.how_to_tidy(files[0]) if files else ""
        self.say(name, "fail", f"{says}; {tidy}" if tidy else says, *files)

    def _read_all(self) -> None:
        """Read every plain file once; remember hashes, and pieces of recordings."""
        left = [path for path in self.tree.odd if bag.is_of_broken_seal(path)]
        if left:
            says = "a signing was broken off by a kill or a power cut; run the same vidspin "
            says += "countersign again, which completes or undoes it"
            self.fail("seals", f"{bag.SEALS}: {says}", *map(plain, left))
        for path, why in self.tree.odd.items():
            if path in left:
                continue
            self.fail("folder", f"{plain(path)} {why}", plain(path))
        total, done = sum(self.tree.sizes.values()), 0
        for path, size in self.tree.sizes.items():
            try:
                self._read_one(path, done, total)
            except OSError as error:
                self.fail("folder", f"{path} cannot be read ({error.strerror})", path)
            done += size

    def _read_one(self, path: str, done: int, total: int) -> None:
        def tell(read: int) -> None:
            self.tell("reading the dossier", done + read, total)

        if path.startswith(f"{RECORDING}/") and f"{path}.pieces.txt" in self.tree.sizes:
            with bag.open_plain(self.root / path) as source:
                self.pieces[path] = read_pieces(source, tell=tell)
            self.hashes[path] = self.pieces[path].sha256
        else:
            self.hashes[path] = bag.hash_file(self.root / path, tell)

    def small(self, path: str, longest: int = bag.LONGEST_LIST) -> bytes:
        """Read a file that lies in the folder.

        Raises
        ------
        ValueError
            It does not, or it is too long.
        """
        if path not in self.hashes:
            raise ValueError("it is missing")
        data = bag.read_small(self.root / path, longest=longest)
        if hashlib.sha256(data).hexdigest() != self.hashes[path]:
            raise ValueError("it changed while it was read")
        return data
