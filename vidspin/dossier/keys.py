"""How are signing keys made and read?

Key files are those of OpenSSH: a private key that only its owner can read, and a public one
of one line beside it.  Nothing of the machine or the person gets into either.
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    load_ssh_private_key,
)

from vidspin.dossier.sshsig import PublicKey, public_key_of, read_public_line
from vidspin.errors import UsageError
from vidspin.whole import make_folders, remove_folders, write_new
from vidspin.wording import plain

LONGEST_KEY_FILE = 1 << 16
_PRIVATE_MODE = 0o600
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def public_path(path: Path) -> Path:
    """Say where the public half of a private key file lies."""
    return path.with_name(path.name + ".pub")


def new_key(path: Path, passphrase: bytes | None = None) -> PublicKey:
    """Make a key pair and write both files.

    Parameters
    ----------
    path : Path
        The private key; the public one gets ``.pub`` behind.
    passphrase : bytes, optional
        Locks the private key.

    Raises
    ------
    UsageError
        A file is there already (keys are never replaced) or cannot be written.
    """
    private = Ed25519PrivateKey.generate()
    public = public_key_of(private)
    lock: KeySerializationEncryption = NoEncryption()
    if passphrase:
        lock = BestAvailableEncryption(passphrase)
    data = private.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, lock)
    if os.path.lexists(public_path(path)):
        raise UsageError(
            "a key of that name is there already", where=str(path), do="choose another name"
        )
    try:
        made = make_folders(path.parent)
        try:
            _write_pair(path, data, f"{public.line}\n".encode("ascii"))
        except BaseException:
            remove_folders(made)
            raise
    except FileExistsError as error:
        raise UsageError(
            "a key of that name is there already", where=str(path), do="choose another name"
        ) from error
    except OSError as error:
        raise UsageError(
            f"the key cannot be written ({error.strerror or error})",
            where=str(path), do="choose another place",
        ) from error  # fmt: skip
    return public


def _write_pair(path: Path, private: bytes, public: bytes) -> None:
    """Write both keys or none; the private one is readable by nobody else at any time."""
    write_new(path, private, _PRIVATE_MODE)
    try:
        write_new(public_path(path), public, 0o644)
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def is_locked(path: Path) -> bool:
    """Tell whether a private key asks for a passphrase."""
    try:
        load_ssh_private_key(_read(path), None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        return "password" in str(error).lower() or "passphrase" in str(error).lower()
    return False


def load_key(path: Path, passphrase: bytes | None = None) -> Ed25519PrivateKey:
    """Read a private key that `new_key` or ``ssh-keygen`` made.

    Raises
    ------
    UsageError
        It cannot be read, others may read it, it is of another kind, or the passphrase is
        missing or wrong.
    """
    data = _read(path)
    if os.name == "posix" and path.stat().st_mode & _OTHERS:
        raise UsageError(
            "others can read this private key", where=str(path), do=f"chmod 600 {path}"
        )
    try:
        private = load_ssh_private_key(data, passphrase or None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        what = "no private key, or its passphrase is missing or wrong"
        raise UsageError(
            what, where=str(path), do="give a key that `vidspin keys new` made, and its passphrase"
        ) from error
    if not isinstance(private, Ed25519PrivateKey):
        raise UsageError(
            "this key is not of the kind Ed25519", where=str(path), do="make one: vidspin keys new"
        )
    return private


def load_public(path: Path) -> PublicKey:
    """Read a public key file.

    Raises
    ------
    UsageError
        It cannot be read or holds no Ed25519 public key.
    """
    try:
        return read_public_line(_read(path).decode("utf-8"))
    except ValueError as error:
        raise UsageError(
            plain(str(error)), where=str(path), do="give the .pub file of `vidspin keys new`"
        ) from error


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as source:
            data = source.read(LONGEST_KEY_FILE + 1)
    except OSError as error:
        raise UsageError(
            f"the key cannot be read ({error.strerror or error})", where=str(path), do="check it"
        ) from error
    if len(data) > LONGEST_KEY_FILE:
        raise UsageError("too long for a key", where=str(path), do="give a key file")
    return data
