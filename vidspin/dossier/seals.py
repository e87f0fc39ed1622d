"""What lies under ``seals/``, and how is a seal added?

Seals are not in the tag manifest: they sign it.  A checksum list of their own tells when one
of them was damaged; it protects against accidents, the signatures against people.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from vidspin.dossier import bag, sshsig, timestamp
from vidspin.dossier.attempt import is_role
from vidspin.errors import CheckFailed, UsageError
from vidspin.whole import tidy_file, write_all_whole
from vidspin.wording import plain

SIGNERS = f"{bag.SEALS}/allowed_signers"
SEALS_LIST = f"{bag.SEALS}/seals-sha256.txt"
LONGEST_SEAL = 1 << 20

_SIGNATURE = re.compile(rf"{bag.SEALS}/([a-z0-9-]+)\.sig")
_TOKEN = re.compile(rf"({bag.SEALS}/time(?:-[0-9]+)?)\.tsr")
_STAMP_FILE = re.compile(rf"{bag.SEALS}/time(?:-[0-9]+)?(?:\.tsr|\.tsq|-chain\.pem)")


def role_of(path: str) -> str | None:
    """Return the role whose signature a file holds, None when it is another file."""
    match = _SIGNATURE.fullmatch(path)
    return match[1] if match is not None and is_role(match[1]) else None


def stem_of(path: str) -> str | None:
    """Return what the files of a time stamp have in common, None when it is no token."""
    match = _TOKEN.fullmatch(path)
    return match[1] if match is not None else None


def is_seal(path: str) -> bool:
    """Tell whether a file may lie under ``seals/``."""
    known = path in (SIGNERS, SEALS_LIST) or _STAMP_FILE.fullmatch(path) is not None
    return known or role_of(path) is not None


def countersign(
    root: Path, role: str, private: Ed25519PrivateKey, *, overwrite: bool = False
) -> sshsig.PublicKey:
    """Sign a dossier.

    Parameters
    ----------
    root : Path
        The dossier.  That it is whole, the caller has checked.
    role : str
        As whom, such as ``operator`` or ``witness-a``.
    private : Ed25519PrivateKey
        The signer's key.
    overwrite : bool
        Replace the signature of that role.

    Raises
    ------
    UsageError
        The role is no role or has signed already.
    """
    if not is_role(role) or not bag.is_safe_name(role):
        raise UsageError(
            f"{plain(role)!r} is no role", where="--as",
            do="use small letters, digits and dashes: operator, witness-a",
        )  # fmt: skip
    path = root / bag.SEALS / f"{role}.sig"
    if os.path.lexists(path) and not overwrite:
        raise UsageError(
            f"{role} has signed already", where=plain(str(path)),
            do="sign as somebody else, or replace it with --overwrite",
        )  # fmt: skip
    message = bag.read_small(root / bag.TAG_MANIFEST)
    others = {one: key for one, key in signers(root).items() if one != role}
    public = sshsig.public_key_of(private)
    twice = [one for one, key in others.items() if key == public]
    if twice:
        raise UsageError(
            f"{twice[0]} has signed with this very key", where=plain(role),
            do="sign with a key of your own: vidspin keys new",
        )  # fmt: skip
    signers_now = sshsig.allowed_signers({**others, role: public}.items())
    _add(root, {f"{bag.SEALS}/{role}.sig": sshsig.sign(message, private), SIGNERS: signers_now})
    return public


def tidy(root: Path) -> None:
    """Complete what a killed writer of seals had begun to rename; else remove what it left.

    Parameters
    ----------
    root : Path
        The dossier.

    Notes
    -----
    Seals and their list lie under hidden names until all are written, and the list takes its name
    last.  So where some were renamed the others and the list are still there.
    """
    folder = root / bag.SEALS
    if folder.is_symlink():
        return
    hidden = {left: f"{bag.SEALS}/{left.name[1:-9]}" for left in folder.glob(".*.????????")}
    hidden = {left: path for left, path in hidden.items() if is_seal(path)}
    if hidden and not _listed_are_there(root, root / SEALS_LIST):
        _complete(root, hidden)
    for path in hidden.values():
        tidy_file(root / path)


def _listed_are_there(root: Path, listed: Path) -> bool:
    try:
        return bag.read_list(bag.read_small(listed)) == seal_hashes(root)
    except ValueError:
        return not seal_hashes(root) and not os.path.lexists(listed)


def _complete(root: Path, hidden: Mapping[Path, str]) -> None:
    """Rename what a hidden list names, where that makes the seals what it says."""
    hashes = {left: _hash_of(left) for left in hidden}
    lists = [left for left, path in hidden.items() if path == SEALS_LIST]
    now = _hash_of(root / SEALS_LIST)
    for list_left in sorted(lists, key=lambda left: hashes[left] == now):  # what is new first
        try:
            listed = bag.read_list(bag.read_small(list_left, longest=LONGEST_SEAL))
        except ValueError:
            continue
        there = seal_hashes(root)
        lacking = [path for path, digest in listed.items() if there.get(path) != digest]
        found = {
            path: left for left, path in hidden.items()
            if path in lacking and hashes[left] == listed[path]
        }  # fmt: skip
        if set(there) - set(listed) or set(found) != set(lacking):
            continue
        for path, left in found.items():
            left.replace(root / path)
        list_left.replace(root / SEALS_LIST)
        return


def _hash_of(path: Path) -> str:
    """Hash a short plain file; nothing where it is none."""
    try:
        return hashlib.sha256(bag.read_small(path, longest=LONGEST_SEAL)).hexdigest()
    except ValueError:
        return ""


def signers(root: Path) -> dict[str, sshsig.PublicKey]:
    """Read ``allowed_signers``: role and key; empty when nobody has signed."""
    if not os.path.lexists(root / SIGNERS):
        return {}
    try:
        return read_signers(bag.read_small(root / SIGNERS, longest=LONGEST_SEAL))
    except ValueError as error:
        raise CheckFailed(str(error), where=SIGNERS, do="get an undamaged copy") from error


def read_signers(data: bytes) -> dict[str, sshsig.PublicKey]:
    """Read what `sshsig.allowed_signers` wrote.

    Raises
    ------
    ValueError
        The bytes are not exactly what it would write.
    """
    found: dict[str, sshsig.PublicKey] = {}
    for line in data.decode("ascii").splitlines():
        role, _, rest = line.partition(" ")
        found[role] = sshsig.read_public_line(rest.partition(" ")[2])
    if sshsig.allowed_signers(found.items()) != data:
        raise ValueError("the list of signers is damaged")
    return found


def new_time_stem(root: Path) -> str:
    """Find a free name for a time stamp: ``time``, ``time-2`` and so on."""
    number = 1
    stem = f"{bag.SEALS}/time"
    while os.path.lexists(root / f"{stem}.tsr"):
        number += 1
        stem = f"{bag.SEALS}/time-{number}"
    return stem


def add_time(
    root: Path,
    request: bytes | None,
    reply: bytes,
    helpers: Sequence[timestamp.Certificate] = (),
) -> timestamp.Token:
    """Add a time stamp to a dossier.

    Parameters
    ----------
    root : Path
        The dossier.
    request : bytes or None
        The request that was sent, where it is at hand.
    reply : bytes
        The authority's reply; its bytes are kept as they came.
    helpers : sequence of Certificate
        Certificates that link the authority to its root and did not come with the reply.

    Raises
    ------
    CheckFailed
        The reply is none, a refusal, or about other data.
    """
    message = bag.read_small(root / bag.TAG_MANIFEST)
    try:
        token = timestamp.read_token(reply)
        timestamp.fits(reply, message, request)
    except ValueError as error:
        raise CheckFailed(
            f"this time stamp cannot be used: {error}", where="time stamp",
            do="ask for a new one over this dossier",
        ) from error  # fmt: skip
    stem = new_time_stem(root)
    chain = {timestamp.fingerprint(one): one for one in (*token.certificates, *helpers)}
    files = {f"{stem}.tsr": reply, f"{stem}-chain.pem": timestamp.pem(chain.values())}
    if request is not None:
        files[f"{stem}.tsq"] = request
    _add(root, files)
    return token


def _add(root: Path, files: Mapping[str, bytes]) -> None:
    """Write seals and bring their checksum list up to date."""
    folder = root / bag.SEALS
    try:
        if folder.is_symlink():
            raise CheckFailed("it is a link", where=plain(str(folder)), do="get a sound copy")
        fresh = {path: hashlib.sha256(data).hexdigest() for path, data in files.items()}
        listed = bag.list_text({**seal_hashes(root), **fresh})
        # together, for a seal that the list does not know spoils the dossier
        write_all_whole({root / path: data for path, data in {**files, SEALS_LIST: listed}.items()})
    except OSError as error:
        raise UsageError(
            f"the seal cannot be written ({error.strerror or error})",
            where=plain(str(folder)), do="check that the folder can be written",
        ) from error  # fmt: skip


def seal_hashes(root: Path) -> dict[str, str]:
    """Hash every seal but the list itself."""
    paths = [p for p in bag.look_through(root).sizes if is_seal(p) and p != SEALS_LIST]
    return {path: bag.hash_file(root / path) for path in paths}
