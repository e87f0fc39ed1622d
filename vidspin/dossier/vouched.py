"""Who signed a dossier, and who saw it when?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from vidspin.documents import Document
from vidspin.dossier import bag, seals, sshsig, timestamp
from vidspin.dossier.examined import Examined, Expectations
from vidspin.dossier.layout import MANIFEST_JSON
from vidspin.wording import plain

# Name of findings about signatures that have yet to come: they do not hinder the next one.
EXPECTED = "signers"


class Vouched:
    """Checks every signature and time stamp.

    Parameters
    ----------
    examined : Examined
        The folder; takes the findings.
    known : Expectations
        What is known from elsewhere.
    tag_bytes : bytes
        The tag manifest.

    Attributes
    ----------
    signers : dict of str to str
        Role and key fingerprint of each good signature.
    sealed : datetime or None
        Earliest time at which a trusted authority saw the dossier.
    """

    def __init__(self, examined: Examined, known: Expectations, tag_bytes: bytes) -> None:
        self._x, self._known, self._tag_bytes = examined, known, tag_bytes
        self.signers: dict[str, str] = {}
        self.sealed: datetime | None = None
        self._check()

    def _check(self) -> None:
        paths = [path for path in self._x.hashes if path.startswith(f"{bag.SEALS}/")]
        for path in paths:
            if not seals.is_seal(path):
                self._x.fail("seals", f"{path} is no seal and was added", path)
        if paths:
            self._seals_list([path for path in paths if seals.is_seal(path)])
        self._signatures({role: p for p in paths if (role := seals.role_of(p)) is not None})
        stems = [stem for path in paths if (stem := seals.stem_of(path)) is not None]
        for stem in sorted(stems, key=lambda one: (len(one), one)):
            self._time(stem)
        if not stems:
            self._x.say(
                "time", "unchecked", "there is no time stamp: when it was sealed is not proven"
            )

    def _seals_list(self, paths: Sequence[str]) -> None:
        """Hold the seals against their checksum list."""
        name = seals.SEALS_LIST
        try:
            listed = bag.read_list(self._x.small(name))
        except ValueError as error:
            self._x.fail("seals", f"{name}: {error}", name)
            return
        for path in sorted({*listed, *paths} - {name}):
            if path not in listed:
                self._x.fail("seals", f"{path} is not in {name}", path, name)
            elif path not in self._x.hashes or not seals.is_seal(path):
                self._x.fail("seals", f"{path} is in {name} but missing", path, name)
            elif listed[path] != self._x.hashes[path]:
                self._x.fail("seals", f"{path} is not what {name} says", path, name)

    def _signatures(self, paths: Mapping[str, str]) -> None:
        allowed: dict[str, sshsig.PublicKey] = {}
        if seals.SIGNERS in self._x.hashes or paths:
            try:
                allowed = seals.read_signers(self._x.small(seals.SIGNERS, seals.LONGEST_SEAL))
            except ValueError as error:
                self._x.fail("signatures", f"{seals.SIGNERS}: {error}", seals.SIGNERS)
        for role in sorted(set(allowed) - set(paths)):
            self._x.fail(
                "signatures", f"the signature of {plain(role)} is missing",
                f"{bag.SEALS}/{plain(role)}.sig", seals.SIGNERS,
            )  # fmt: skip
        for role, path in sorted(paths.items()):
            self._signature(role, path, allowed.get(role))
        self._repeated()
        if not paths:
            self._x.say("signatures", "unchecked", "nobody has signed this dossier")
        for role in sorted(set(self._known.fingerprints) - set(paths)):
            self._x.fail("signatures", f"{plain(role)}, whose key you gave, has not signed")

    def hold_against(self, expected: Sequence[Document]) -> None:
        """Hold those who signed against those whom the manifest names.

        Roles and keys in it are sealed and printed in the report.  Whoever is named with a key
        must have signed, with that key, and nobody else may have.

        Parameters
        ----------
        expected : sequence of dict
            ``role`` and ``key`` (fingerprint or None) of each.
        """
        stated = {plain(str(one["role"])): one["key"] for one in expected}
        for role, key in sorted(stated.items()):
            if role not in self.signers:
                if key is None:
                    says = f"{role}, whom the report names, has not signed"
                    self._x.say(EXPECTED, "unchecked", says)
                else:
                    self._x.fail(EXPECTED, f"{role}, whose key the report names, has not signed")
            elif key is not None and self.signers[role] != key:
                says = f"{role} signed with another key than the report names, {plain(str(key))}"
                self._x.fail("signatures", says, f"{bag.SEALS}/{role}.sig", MANIFEST_JSON)
                del self.signers[role]
        firm = any(stated.values())
        for role in sorted(set(self.signers) - set(stated)) if firm else ():
            says = f"{role} signed, whom the report does not name: this signature was added"
            self._x.fail("signatures", says, f"{bag.SEALS}/{role}.sig", MANIFEST_JSON)
        if self.signers and not firm:
            says = "the report names no key: nothing in the dossier ties a signature to a person"
            self._x.say(EXPECTED, "unchecked", says)

    def _repeated(self) -> None:
        """Find keys that signed for more than one role."""
        by_key: dict[str, list[str]] = {}
        for role, key in sorted(self.signers.items()):
            by_key.setdefault(key, []).append(role)
        for key, roles in by_key.items():
            if len(roles) > 1:
                says = f"{' and '.join(roles)} signed with one and the same key, {key}"
                files = [f"{bag.SEALS}/{role}.sig" for role in roles]
                self._x.fail("signatures", says, *files)

    def _signature(self, role: str, path: str, listed: sshsig.PublicKey | None) -> None:
        try:
            key = sshsig.verify(self._tag_bytes, self._x.small(path, seals.LONGEST_SEAL))
        except ValueError as error:
            self._x.fail("signatures", f"{role}: {error}", path, bag.TAG_MANIFEST)
            return
        if listed != key:
            self._x.fail(
                "signatures", f"{role}: the key is not the one in {seals.SIGNERS}",
                path, seals.SIGNERS,
            )  # fmt: skip
            return
        wanted = self._known.fingerprints.get(role)
        if wanted is not None and wanted != key.fingerprint:
            self._x.fail(
                "signatures", f"{role} signed with {key.fingerprint}, not with the key you gave",
                path,
            )  # fmt: skip
            return
        self.signers[role] = key.fingerprint
        vouched = "the key you gave" if wanted is not None else "compare it with paper"
        self._x.say("signatures", "pass", f"{role} signed with {key.fingerprint} ({vouched})")

    def _time(self, stem: str) -> None:
        path, request_path, chain_path = f"{stem}.tsr", f"{stem}.tsq", f"{stem}-chain.pem"
        try:
            reply = self._x.small(path, timestamp.LONGEST_REPLY)
            request = None
            if request_path in self._x.hashes:
                request = self._x.small(request_path, seals.LONGEST_SEAL)
            token = timestamp.read_token(reply)
            timestamp.fits(reply, self._tag_bytes, request)
            helpers = list(token.certificates)
            if chain_path in self._x.hashes:
                chain = self._x.small(chain_path, seals.LONGEST_SEAL)
                helpers += timestamp.read_certificates(chain) if chain else []
        except ValueError as error:
            says = f"{path} is no time stamp of this dossier: {plain(str(error))}"
            self._x.fail("time", says, path, request_path, bag.TAG_MANIFEST)
            return
        when = timestamp.time_text(token)
        if not self._known.authorities:
            says = f"{path} says {when}; who says so was not checked (give --authority ROOT.pem)"
            self._x.say("time", "unchecked", says)
            return
        try:
            timestamp.signed_by(reply, self._tag_bytes, self._known.authorities, helpers)
        except ValueError as error:
            says = f"{path} was not signed by the authority that you trust: {error}"
            self._x.fail("time", says, path)
            return
        self.sealed = token.time if self.sealed is None else min(self.sealed, token.time)
        self._x.say("time", "pass", f"the authority that you trust saw this dossier at {when}")
