"""Check a dossier with nothing but Python: which files were changed, who signed, which piece?

    python3 check_dossier.py DOSSIER [--recording FILE]

Needs Python 3.7 or newer and its standard library.  Take this script from the project's
documentation page, not from the dossier: whoever changes a dossier can change the script
in it as well.  The two are the same, byte for byte.

Checked here: the checksum lists (BagIt, RFC 8493), the hashes in data/manifest.json and in the
reports, that nothing was added, the signatures (SSHSIG with Ed25519, RFC 8032), that those and
only those signed whom the report names, and the pieces of the recording (Merkle tree, RFC 6962).
Not checked here: time stamps (use openssl, see HOW-TO-CHECK.txt) and whether the numbers
follow from the recording (use ``vidspin verify --remeasure``).

Exit code 0: nothing found to be wrong, and somebody signed.  6: not so.  2: wrong use.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import sys
import zlib
from functools import partial
from typing import Any, BinaryIO, Iterator

NAMESPACE = b"vidspin-dossier"
TAGS, PAYLOAD = "tagmanifest-sha256.txt", "manifest-sha256.txt"
NAME = re.compile(r"[A-Za-z0-9_-](?:[A-Za-z0-9._-]*[A-Za-z0-9_-])?")
LINE = re.compile(r"([0-9a-f]{64})  ([A-Za-z0-9._/-]+)")
SIGNER = re.compile(r'([a-z0-9-]+) namespaces="vidspin-dossier" ssh-ed25519 ([A-Za-z0-9+/=]+)')
BEGIN, END = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"
MANIFEST, REPORTS = "data/manifest.json", ("data/report.html", "data/report.pdf")
SPIN, FACTS = "data/result/spin.json", "data/attempt.toml"
SEALS = "seals/seals-sha256.txt"
KEY = re.compile(r"""^[ \t]*key[ \t]*=[ \t]*["']([^"'\n]*)["']""", re.MULTILINE)
LONGEST = 1 << 26
LITTER = (".DS_Store", "desktop.ini", "Thumbs.db")  # of file managers

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


def check_lists(root: str, found: dict[str, int], wrong: list[str]) -> int:
    """Check that every file is listed, and is what the lists say; return how many are listed."""
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
    return len(tags) + len(payload)


def check_seal_list(root: str, found: dict[str, int], wrong: list[str]) -> int:
    """Check the seals against their own list, which only tells of accidents."""
    there = {path for path in found if path.startswith("seals/") and path != SEALS}
    if not there and SEALS not in found:
        return 0
    listed = read_list(root, SEALS, wrong)
    for path in sorted(there | set(listed)):
        if path not in listed:
            wrong.append("%s: is not in %s, so it was added" % (path, SEALS))
        elif path not in found:
            wrong.append("%s: is in %s but missing" % (path, SEALS))
        elif hashlib.sha256(read(root, path)).hexdigest() != listed[path]:
            wrong.append("%s: is not what %s says" % (path, SEALS))
    return len(listed)


def check_manifest(root: str, found: dict[str, int], wrong: list[str]) -> None:
    """Check that the manifest speaks of these very files, whatever the lists say."""
    files = json.loads(read(root, MANIFEST).decode("utf-8"))["files"]
    listed = {one["path"]: (one["bytes"], one["sha256"]) for one in files}
    there = {path for path in found if path.startswith("data/")} - {MANIFEST} - set(REPORTS)
    for path in sorted(there | set(listed)):
        if path not in listed or path not in there:
            how = "is not in %s" if path in there else "is named in %s and is missing"
            wrong.append("%s: %s" % (show(path), how % MANIFEST))
            continue
        with open(os.path.join(root, path), "rb") as source:
            now = (found[path], hashes(source, 1 << 20)[0])
        if now != listed[path]:
            wrong.append("%s: is not what %s says" % (path, MANIFEST))


def check_reports(root: str, found: dict[str, int], wrong: list[str]) -> None:
    """Check that the reports were made from these very files, whatever the lists say."""
    own = hashlib.sha256(read(root, SPIN)).hexdigest().encode()
    for path in REPORTS:
        if path not in found:
            say("report     %s: is not in this dossier" % path)
    if REPORTS[0] in found and own not in read(root, REPORTS[0]):
        wrong.append("%s: does not bear the hash of spin.json" % REPORTS[0])
    if REPORTS[1] in found:
        attached = (SPIN, "data/result/speed.csv", MANIFEST)
        kept = [read(root, path) for path in attached if path in found]
        parts = set(unpacked(read(root, REPORTS[1]), max(map(len, kept))))
        for path in attached:
            if path not in found or hashlib.sha256(read(root, path)).digest() not in parts:
                wrong.append("%s: carries another %s" % (REPORTS[1], path.split("/")[-1]))


def unpacked(pdf: bytes, longest: int) -> Iterator[bytes]:
    """Hash every stream of a PDF file, as it is unpacked."""
    whole = memoryview(pdf)  # whose parts are no copies
    for start in re.finditer(rb"(?<!end)stream\r?\n", pdf):
        try:
            data = zlib.decompressobj().decompress(whole[start.end() :], longest + 1)
        except zlib.error:
            data = pdf[start.end() : max(pdf.find(b"endstream", start.end()), 0)]
        yield hashlib.sha256(data).digest()


def check_signers(
    root: str, found: dict[str, int], signed: list[tuple[str, str]], wrong: list[str]
) -> None:
    """Check that those whom the manifest names signed with their keys, and nobody else."""
    manifest = json.loads(read(root, MANIFEST).decode("utf-8"))
    people = expected(manifest["attempt"])
    if manifest.get("signers", people) != people:
        wrong.append("%s: names other signers than the attempt's facts" % MANIFEST)
    named = {one["role"]: one["key"] for one in people}
    keys = {key for key in named.values() if key}
    for role, key in sorted(named.items()):
        if key and (role, key) not in signed:
            wrong.append("%s: has not signed with the key named, %s" % (show(role), show(key)))
        elif not key and role not in dict(signed):
            say("open       %s is named in the dossier and has not signed" % show(role))
    for role, key in signed:
        if keys and role not in named:
            wrong.append("seals/%s.sig: the dossier names no such signer; it was added" % role)
        twice = [other for other, same in signed if same == key and other < role]
        if twice:
            wrong.append("seals/%s.sig: made with the same key as %s" % (role, twice[0]))
    if signed and not keys:
        say("open       the dossier names no key: nothing in it ties a signature to a person")
    stated = stated_keys(as_text(read(root, FACTS))) if FACTS in found else keys
    for key in sorted(stated - keys):
        wrong.append("%s: states the key %s, %s does not" % (FACTS, show(key), MANIFEST))


def expected(facts: dict[str, Any]) -> list[dict[str, Any]]:
    """List role and key of everybody who is to sign, as the facts of the attempt name them."""
    people = [{"role": "operator", **facts["operator"]}] if facts.get("operator") else []
    people += facts.get("witnesses", [])
    return [{"role": str(one["role"]), "key": one.get("key")} for one in people]


def as_text(data: bytes) -> str:
    """Decode a text file, also one that an editor or shell of Windows wrote."""
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    return data.decode("utf-16" if wide else "utf-8-sig")


def stated_keys(text: str) -> set[str]:
    """Return the fingerprints of the keys that the facts of the attempt state."""
    return {
        one if one.startswith("SHA256:") else fingerprint(base64.b64decode(one.split()[1]))
        for one in map(str.strip, KEY.findall(text))
        if one
    }


def check_seals(root: str, found: dict[str, int], wrong: list[str]) -> list[tuple[str, str]]:
    """Check every signature; return role and key of those who signed."""
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
                signed.append((role, fingerprint(key)))
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
    count = max(len(sealed), len(leaves)) if sealed else 0
    bad = [k for k in range(count) if sealed[k : k + 1] != leaves[k : k + 1]]
    where = [(k + 1, count, k * merkle["piece_bytes"]) for k in bad if len(bad) < count]
    wrong += ["  piece %d of %d, from byte %d on" % one for one in where]
    wrong += ["  no piece is the same: it may be another file"] * (len(bad) == count > 0)


def tell_times(root: str, found: dict[str, int]) -> None:
    """Say what stands for the earliest and the latest moment, and what does not."""
    shown = json.loads(read(root, MANIFEST).decode("utf-8"))["challenge"]
    said = "none: the recording may be older than any date in this folder"
    if shown is not None:
        said = "%s, made %s by %s, as the dossier says; ask them, and look for its card"
        said %= tuple(show(str(shown[part] or "nobody named")) for part in ("text", "made", "by"))
    say("challenge  " + said)
    stamps = sorted(path for path in found if path.endswith(".tsr"))
    for path in stamps:
        say("time stamp %s: not checked here, see HOW-TO-CHECK.txt" % path)
    if not stamps:
        say("time stamp none: nothing outside this folder says when it was made")


def result(signed: list[tuple[str, str]], wrong: list[str], but: str) -> int:
    """Tell what came out; return the exit code."""
    for role, key in signed:
        say("signed by  %s, with the key %s" % (role, key))
    if not signed:
        say("signed by  nobody")
    for line in wrong:
        say("WRONG      " + line)
    if any(name + ":" in line for name in LITTER for line in wrong):
        say("open       delete %s: your file manager made it" % ", ".join(LITTER))
    if wrong:
        say("RESULT     SOMETHING IS WRONG")
    elif not signed:
        say("RESULT     NOT PROVEN: nobody has signed it, so anybody could have made it")
    else:
        say("RESULT     nothing was found to be wrong%s" % but)
        say("Compare the keys with those on paper; the figures only a new measurement can confirm.")
    return 6 if wrong or not signed else 0


def say(line: str) -> None:
    """Print a line."""
    sys.stdout.write(line + "\n")


def main(arguments: list[str]) -> int:
    """Check a dossier and tell the result in words."""
    given, folders = arguments[:0], arguments[:0]
    while arguments:
        to = given if arguments[0] == "--recording" and len(arguments) > 1 else folders
        arguments = arguments[int(to is given) :]
        to.append(arguments.pop(0))
    if len(folders) != 1 or not os.path.isfile(os.path.join(folders[0], TAGS)):
        sys.stderr.write("use: check_dossier.py DOSSIER [--recording FILE]\n")
        return 2
    root = folders[0]
    wrong: list[str] = []
    found = look_through(root, wrong)
    say("files      %d, compared with the checksum lists" % check_lists(root, found, wrong))
    say("seals      %d, compared with their list" % check_seal_list(root, found, wrong))
    signed = check_seals(root, found, wrong)
    for part in (
        partial(check_manifest, root, found, wrong),
        partial(check_reports, root, found, wrong),
        partial(check_recording, root, found, given, wrong),
        partial(check_signers, root, found, signed, wrong),
        partial(tell_times, root, found),
    ):
        try:
            part()
        except Exception as error:  # whatever is stumbled over in what somebody wrote
            reason = "%s %s" % (type(error).__name__, error)
            wrong.append("%s: what it says cannot be checked, %s" % (MANIFEST, show(reason)))
    stamped = any(path.endswith(".tsr") for path in found)
    return result(signed, wrong, "; the time stamp was not checked" if stamped else "")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
