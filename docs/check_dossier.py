"""Check a dossier with nothing but Python: which files were changed, who signed, which piece?

    python3 check_dossier.py DOSSIER [--recording FILE]

Needs Python 3.7 or newer and its standard library.  Take this script from the project's
documentation page, not from the dossier: whoever changes a dossier can change the script
in it as well.  The two are the same, byte for byte.

Checked here: the checksum lists (BagIt, RFC 8493), that nothing was added, the signatures
(SSHSIG with Ed25519, RFC 8032) and the pieces of the recording (Merkle tree, RFC 6962).
Not checked here: time stamps (use openssl, see HOW-TO-CHECK.txt) and whether the numbers
follow from the recording (use ``vidspin verify --remeasure``).

Exit code 0: nothing was found to be wrong.  6: something was.  2: wrong use.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import sys
from typing import Any, BinaryIO

NAMESPACE = b"vidspin-dossier"
TAGS, PAYLOAD = "tagmanifest-sha256.txt", "manifest-sha256.txt"
NAME = re.compile(r"[A-Za-z0-9_-](?:[A-Za-z0-9._-]*[A-Za-z0-9_-])?")
LINE = re.compile(r"([0-9a-f]{64})  ([A-Za-z0-9._/-]+)")
SIGNER = re.compile(r'([a-z0-9-]+) namespaces="vidspin-dossier" ssh-ed25519 ([A-Za-z0-9+/=]+)')
BEGIN, END = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"
LONGEST = 1 << 26

# ----------------------------------------------------------- Ed25519, RFC 8032, section 5.1

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT = pow(2, (P - 1) // 4, P)


def add(a: tuple[int, int, int, int], b: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    """Add two points in extended coordinates (section 5.1.4)."""
    e, f = (a[1] - a[0]) * (b[1] - b[0]) % P, (a[1] + a[0]) * (b[1] + b[0]) % P
    g, h = 2 * a[3] * b[3] * D % P, 2 * a[2] * b[2] % P
    w, x, y, z = f - e, h - g, h + g, f + e
    return w * x % P, y * z % P, x * y % P, w * z % P


def multiply(s: int, a: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    """Multiply a point by a number."""
    total: tuple[int, int, int, int] = (0, 1, 1, 0)
    while s > 0:
        if s & 1:
            total = add(total, a)
        a, s = add(a, a), s >> 1
    return total


def point(data: bytes) -> tuple[int, int, int, int] | None:
    """Decode a point (section 5.1.3), None when the bytes are none."""
    y, sign = int.from_bytes(data, "little"), data[31] >> 7
    y &= (1 << 255) - 1
    if y >= P:
        return None
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT % P
    if (x * x - square) % P or (x == 0 and sign):
        return None
    if (x & 1) != sign:
        x = P - x
    return x, y, 1, x * y % P


BASE = point((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))


def genuine(key: bytes, message: bytes, signature: bytes) -> bool:
    """Verify an Ed25519 signature (section 5.1.7)."""
    a, r, s = point(key), point(signature[:32]), int.from_bytes(signature[32:], "little")
    if len(signature) != 64 or a is None or r is None or BASE is None or s >= L:
        return False
    h = int.from_bytes(hashlib.sha512(signature[:32] + key + message).digest(), "little") % L
    left, right = multiply(s, BASE), add(r, multiply(h, a))
    x = (left[0] * right[2] - right[0] * left[2]) % P
    y = (left[1] * right[2] - right[1] * left[2]) % P
    return x == y == 0


# ------------------------------------------------------------- SSHSIG, PROTOCOL.sshsig


def pack(data: bytes) -> bytes:
    """Put the length before a string."""
    return len(data).to_bytes(4, "big") + data


def take(data: bytes) -> tuple[bytes, bytes]:
    """Split such a string off."""
    end = 4 + int.from_bytes(data[:4], "big")
    if len(data) < 4 or len(data) < end:
        raise ValueError("cut short")
    return data[4:end], data[end:]


def signer_of(message: bytes, armoured: bytes) -> bytes:
    """Return the key that signed, in the wire form of SSH; ValueError when it does not fit."""
    lines = armoured.decode("ascii").splitlines()
    if len(lines) < 3 or lines[0] != BEGIN or lines[-1] != END:
        raise ValueError("is no SSH signature")
    blob = base64.b64decode("".join(lines[1:-1]), validate=True)
    if blob[:10] != b"SSHSIG\x00\x00\x00\x01":
        raise ValueError("is no SSH signature of version 1")
    key, rest = take(blob[10:])
    namespace, rest = take(rest)
    reserved, rest = take(rest)
    name, rest = take(rest)
    inner, rest = take(rest)
    kind, raw = take(key)
    raw, raw_rest = take(raw)
    inner_kind, signature = take(inner)
    signature, signature_rest = take(signature)
    if namespace != NAMESPACE or name != b"sha512" or rest or raw_rest or signature_rest:
        raise ValueError("was made for another purpose")
    if not kind == inner_kind == b"ssh-ed25519" or len(raw) != 32:
        raise ValueError("is not of the kind Ed25519")
    digest = hashlib.sha512(message).digest()
    signed = b"SSHSIG" + pack(namespace) + pack(reserved) + pack(name) + pack(digest)
    if not genuine(raw, signed, signature):
        raise ValueError("does not fit " + TAGS)
    return key


def fingerprint(key: bytes) -> str:
    """Write a key's fingerprint as ssh-keygen -l does."""
    return "SHA256:" + base64.b64encode(hashlib.sha256(key).digest()).decode().rstrip("=")


# ----------------------------------------------------------------------------- files


def show(text: str) -> str:
    """Make a name harmless to print: no escapes, no marks that turn the writing round."""
    return "".join(c if " " <= c <= "~" else "\\u{%x}" % ord(c) for c in text)


def look_through(root: str, wrong: list[str]) -> dict[str, int]:
    """List the plain files of a folder; links and unsafe names are wrong and not followed."""
    found: dict[str, int] = {}
    pending = [""]
    while pending:
        below = pending.pop()
        for entry in os.scandir(os.path.join(root, below) if below else root):
            path = below + "/" + entry.name if below else entry.name
            if entry.is_symlink() or not NAME.fullmatch(entry.name):
                wrong.append(show(path) + ": a link, or a name that no dossier gives")
            elif entry.is_dir(follow_symlinks=False) and path.count("/") < 7:
                pending.append(path)
            elif entry.is_file(follow_symlinks=False):
                found[path] = entry.stat(follow_symlinks=False).st_size
            else:
                wrong.append(show(path) + ": neither a file nor a folder")
    return found


def read(root: str, path: str) -> bytes:
    """Read a file that cannot be long."""
    with open(os.path.join(root, path), "rb") as source:
        data = source.read(LONGEST + 1)
    if len(data) > LONGEST:
        raise ValueError("is far longer than it can be")
    return data


def read_list(root: str, path: str, wrong: list[str]) -> dict[str, str]:
    """Read a checksum list; every line is a hash, two spaces and a path that stays inside."""
    listed: dict[str, str] = {}
    try:
        text = read(root, path).decode("ascii")
    except (OSError, ValueError) as error:
        wrong.append("%s: %s" % (path, show(str(error))))
        return listed
    for line in text.split("\n")[:-1]:
        match = LINE.fullmatch(line)
        if match is None or not all(NAME.fullmatch(part) for part in match.group(2).split("/")):
            wrong.append("%s: a line is damaged or its path is unsafe" % path)
        else:
            listed[match.group(2)] = match.group(1)
    if "".join("%s  %s\n" % (listed[one], one) for one in sorted(listed)) != text:
        wrong.append("%s: not sorted, or with something added" % path)
    return listed


def hashes(source: BinaryIO, piece_bytes: int) -> tuple[str, list[str]]:
    """Hash a file, whole and (RFC 6962 leaf hashes) in pieces."""
    whole = hashlib.sha256()
    leaves: list[str] = []
    while True:
        piece = source.read(piece_bytes)
        if not piece:
            return whole.hexdigest(), leaves
        whole.update(piece)
        leaves.append(hashlib.sha256(b"\x00" + piece).hexdigest())


def tree(leaves: list[str]) -> str:
    """Hash leaf hashes to one (RFC 6962, section 2.1)."""
    level = [bytes.fromhex(leaf) for leaf in leaves] or [hashlib.sha256(b"").digest()]
    while len(level) > 1:
        pairs = zip(level[::2], level[1::2])
        odd = level[len(level) & ~1 :]
        level = [hashlib.sha256(b"\x01" + a + b).digest() for a, b in pairs] + odd
    return level[0].hex()


# ---------------------------------------------------------------------------- checks


def check_lists(root: str, found: dict[str, int], wrong: list[str]) -> None:
    """Check that every file is listed, and is what the lists say."""
    tags, payload = read_list(root, TAGS, wrong), read_list(root, PAYLOAD, wrong)
    if PAYLOAD not in tags:
        wrong.append("%s: does not list %s" % (TAGS, PAYLOAD))
    for name, listed, inside in ((TAGS, tags, False), (PAYLOAD, payload, True)):
        for path in sorted(listed):
            if path.startswith("data/") != inside:
                wrong.append("%s: lists %s, which belongs in the other list" % (name, path))
            if path not in found:
                wrong.append("%s: is missing" % path)
                continue
            with open(os.path.join(root, path), "rb") as source:
                if hashes(source, 1 << 20)[0] != listed[path]:
                    wrong.append("%s: is not what %s says" % (path, name))
    for path in sorted(set(found) - set(tags) - set(payload) - {TAGS}):
        if not path.startswith("seals/"):
            wrong.append(path + ": is not listed, so it was added")


def check_seals(root: str, found: dict[str, int], wrong: list[str]) -> list[str]:
    """Check every signature; return who signed."""
    signed = []
    allowed = set()
    if "seals/allowed_signers" in found:
        for line in read(root, "seals/allowed_signers").decode("ascii", "replace").splitlines():
            match = SIGNER.fullmatch(line)
            if match is None:
                wrong.append("seals/allowed_signers: a line is damaged")
            else:
                allowed.add((match.group(1), match.group(2)))
    for path in sorted(found):
        if path.startswith("seals/") and path.endswith(".sig"):
            role = path[6:-4]
            try:
                key = signer_of(read(root, TAGS), read(root, path))
                if (role, base64.b64encode(key).decode()) not in allowed:
                    raise ValueError("was made with a key that is not in seals/allowed_signers")
                signed.append("%s, with the key %s" % (role, fingerprint(key)))
            except (OSError, ValueError) as error:
                wrong.append("%s: %s" % (path, show(str(error))))
    return signed


def check_recording(root: str, found: dict[str, int], given: list[str], wrong: list[str]) -> None:
    """Check the recording piece by piece."""
    manifest = json.loads(read(root, "data/manifest.json").decode("utf-8"))
    chapters = manifest["recording"]["chapters"]
    if given and len(given) != len(chapters):
        wrong.append("--recording: the recording has %d file(s)" % len(chapters))
    for number, chapter in enumerate(chapters):
        if number < len(given):
            path = given[number]
        elif chapter["path"] in found:
            path = os.path.join(root, chapter["path"])
        else:
            say("recording  %s: not at hand, so it was not looked at" % show(chapter["name"]))
            continue
        check_chapter(root, found, chapter, path, wrong)


def check_chapter(
    root: str, found: dict[str, int], chapter: dict[str, Any], path: str, wrong: list[str]
) -> None:
    """Check one file of the recording, and say which pieces were changed."""
    merkle = chapter["merkle"] or {"piece_bytes": 1 << 20, "list": "", "root": tree([])}
    sealed: list[str] = []
    if not 1 << 16 <= merkle["piece_bytes"] <= 1 << 26:
        raise ValueError("pieces of an odd length")
    if merkle["list"] in found:
        sealed = read(root, merkle["list"]).decode("ascii").split()
    if tree(sealed) != merkle["root"]:
        wrong.append("%s: does not lead to the tree hash" % show(merkle["list"]))
    with open(path, "rb") as source:
        whole, leaves = hashes(source, merkle["piece_bytes"])
    if whole == chapter["sha256"]:
        say("recording  %s: as sealed" % show(chapter["name"]))
        return
    wrong.append("%s: is not the recording that was sealed" % show(path))
    for k in range(max(len(sealed), len(leaves)) if sealed else 0):
        if sealed[k : k + 1] != leaves[k : k + 1]:
            where = (k + 1, len(sealed), k * merkle["piece_bytes"])
            wrong.append("  piece %d of %d, from byte %d on" % where)


def say(line: str) -> None:
    """Print a line."""
    sys.stdout.write(line + "\n")


def main(arguments: list[str]) -> int:
    """Check a dossier and tell the result in words."""
    given, folders = [], []
    while arguments:
        if arguments[0] == "--recording" and len(arguments) > 1:
            given.append(arguments[1])
            arguments = arguments[2:]
        else:
            folders.append(arguments[0])
            arguments = arguments[1:]
    if len(folders) != 1 or not os.path.isfile(os.path.join(folders[0], TAGS)):
        sys.stderr.write("use: check_dossier.py DOSSIER [--recording FILE]\n")
        return 2
    root = folders[0]
    wrong: list[str] = []
    found = look_through(root, wrong)
    check_lists(root, found, wrong)
    say("files      %d, compared with the checksum lists" % len(found))
    try:
        check_recording(root, found, given, wrong)
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        wrong.append("data/manifest.json: the recording cannot be checked, %s" % show(str(error)))
    signed = check_seals(root, found, wrong)
    for line in signed or ["nobody"]:
        say("signed by  " + line)
    for path in sorted(found):
        if path.endswith(".tsr"):
            say("time stamp %s: not checked here, see HOW-TO-CHECK.txt" % path)
    for line in wrong:
        say("WRONG      " + line)
    say("RESULT     " + ("SOMETHING IS WRONG" if wrong else "nothing was found to be wrong"))
    if signed and not wrong:
        say("Now compare the keys with those that were printed and signed by hand.")
    return 6 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
