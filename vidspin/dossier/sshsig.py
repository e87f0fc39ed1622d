"""How is a file signed so that everybody's ``ssh-keygen`` can check it?

SSH signatures (SSHSIG, OpenSSH's PROTOCOL.sshsig) with Ed25519 keys (RFC 8032, RFC 8709) in
the armoured form that ``ssh-keygen -Y`` writes and reads.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import struct
from collections.abc import Iterable
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

PrivateKey = Ed25519PrivateKey

NAMESPACE = "vidspin-dossier"
_MAGIC = b"SSHSIG"
_VERSION = 1
_KEY_TYPE = b"ssh-ed25519"
_HASH = b"sha512"
_BEGIN = "-----BEGIN SSH SIGNATURE-----"
_END = "-----END SSH SIGNATURE-----"
_LINE = 70  # characters of base64 a line, as ssh-keygen writes them


@dataclass(frozen=True, slots=True)
class PublicKey:
    """An Ed25519 public key, 32 bytes."""

    raw: bytes

    @property
    def blob(self) -> bytes:
        """The key in the wire form of SSH."""
        return _string(_KEY_TYPE) + _string(self.raw)

    @property
    def line(self) -> str:
        """The key as ``ssh-ed25519 AAAA…``, without a comment."""
        return f"{_KEY_TYPE.decode()} {base64.b64encode(self.blob).decode()}"

    @property
    def fingerprint(self) -> str:
        """``SHA256:…`` as ``ssh-keygen -l`` prints it."""
        digest = hashlib.sha256(self.blob).digest()
        return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")


def public_key_of(private: Ed25519PrivateKey) -> PublicKey:
    """Return the public half of a private key."""
    return PublicKey(private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw))


def read_public_line(text: str) -> PublicKey:
    """Read the first two words of a ``.pub`` file.

    Raises
    ------
    ValueError
        It is no Ed25519 public key.
    """
    words = text.split()
    if len(words) < 2 or words[0] != _KEY_TYPE.decode():
        raise ValueError("not an Ed25519 public key (ssh-ed25519 AAAA…)")
    try:
        blob = base64.b64decode(words[1], validate=True)
    except binascii.Error as error:
        raise ValueError("its base64 is damaged") from error
    return _key_from_blob(blob)


def sign(message: bytes, private: Ed25519PrivateKey, *, namespace: str = NAMESPACE) -> bytes:
    """Sign a message.

    Returns
    -------
    bytes
        The armoured signature, byte for byte what ``ssh-keygen -Y sign`` writes.
    """
    signature = private.sign(_signed_bytes(message, namespace))
    return _armour(public_key_of(private), signature, namespace)


def verify(message: bytes, armoured: bytes, *, namespace: str = NAMESPACE) -> PublicKey:
    """Check a signature.

    Returns
    -------
    PublicKey
        The key that signed.  Whose key that is, the caller must know from elsewhere.

    Raises
    ------
    ValueError
        The file is not exactly a signature of this form, or it does not fit the message.
    """
    key, signature = _read_armoured(armoured, namespace)
    if _armour(key, signature, namespace) != armoured:
        raise ValueError("the signature file is damaged")
    try:
        Ed25519PublicKey.from_public_bytes(key.raw).verify(
            signature, _signed_bytes(message, namespace)
        )
    except InvalidSignature as error:
        raise ValueError(
            "the signature does not fit: what was signed is not what lies here"
        ) from error
    return key


def allowed_signers(signers: Iterable[tuple[str, PublicKey]]) -> bytes:
    """Write the list of roles and keys that ``ssh-keygen -Y verify -f`` reads."""
    lines = [
        f'{role} namespaces="{NAMESPACE}" {key.line}\n' for role, key in sorted_by_role(signers)
    ]
    return "".join(lines).encode("ascii")


def sorted_by_role(signers: Iterable[tuple[str, PublicKey]]) -> list[tuple[str, PublicKey]]:
    """Put signers in the one order in which they are written."""
    return sorted(signers, key=lambda signer: signer[0])


def _signed_bytes(message: bytes, namespace: str) -> bytes:
    digest = hashlib.sha512(message).digest()
    return _MAGIC + _string(namespace.encode()) + _string(b"") + _string(_HASH) + _string(digest)


def _armour(key: PublicKey, signature: bytes, namespace: str) -> bytes:
    blob = _MAGIC + struct.pack(">I", _VERSION) + _string(key.blob) + _string(namespace.encode())
    blob += _string(b"") + _string(_HASH) + _string(_string(_KEY_TYPE) + _string(signature))
    text = base64.b64encode(blob).decode()
    lines = [text[k : k + _LINE] for k in range(0, len(text), _LINE)]
    return "\n".join([_BEGIN, *lines, _END, ""]).encode("ascii")


def _read_armoured(armoured: bytes, namespace: str) -> tuple[PublicKey, bytes]:
    try:
        lines = armoured.decode("ascii").splitlines()
        if len(lines) < 3 or lines[0] != _BEGIN or lines[-1] != _END:
            raise ValueError("not an SSH signature file")
        blob = base64.b64decode("".join(lines[1:-1]), validate=True)
    except (UnicodeDecodeError, binascii.Error) as error:
        raise ValueError("not an SSH signature file") from error
    if blob[:6] != _MAGIC or blob[6:10] != struct.pack(">I", _VERSION):
        raise ValueError("not an SSH signature of version 1")
    key_blob, rest = _take(blob[10:])
    stated, rest = _take(rest)
    _, rest = _take(rest)
    algorithm, rest = _take(rest)
    inner, rest = _take(rest)
    if stated != namespace.encode() or algorithm != _HASH or rest:
        raise ValueError("the signature was made for another purpose")
    kind, after = _take(inner)
    signature, after = _take(after)
    if kind != _KEY_TYPE or len(signature) != 64 or after:
        raise ValueError("not an Ed25519 signature")
    return _key_from_blob(key_blob), signature


def _key_from_blob(blob: bytes) -> PublicKey:
    kind, rest = _take(blob)
    raw, rest = _take(rest)
    if kind != _KEY_TYPE or len(raw) != 32 or rest:
        raise ValueError("not an Ed25519 public key")
    return PublicKey(raw)


def _string(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data


def _take(data: bytes) -> tuple[bytes, bytes]:
    """Split a length-prefixed string off."""
    if len(data) < 4:
        raise ValueError("cut short")
    length = struct.unpack(">I", data[:4])[0]
    if len(data) < 4 + length:
        raise ValueError("cut short")
    return data[4 : 4 + length], data[4 + length :]
