"""When did this exist at the latest?

Time stamps of RFC 3161: an authority signs a hash and the time.  Asking and answering go
through the network or through files; checking needs neither.  A token proves that the data
existed by its time if, and only if, one trusts the authority: whose root certificate that
is must come from the authority itself, never from the folder that is checked.
"""

from __future__ import annotations

import hashlib
import urllib.error
import urllib.request
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime

from asn1crypto import tsp
from cryptography import x509
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding
from rfc3161_client import (
    HashAlgorithm,
    TimestampRequestBuilder,
    TimeStampResponse,
    VerifierBuilder,
    decode_timestamp_response,
)

from vidspin.errors import CheckFailed, UsageError
from vidspin.units import rfc3339
from vidspin.wording import plain

LONGEST_REPLY = 1 << 20
PATIENCE_S = 30.0
_QUERY_TYPE = "application/timestamp-query"
_HASHES = {
    "2.16.840.1.101.3.4.2.1": "sha256",
    "2.16.840.1.101.3.4.2.2": "sha384",
    "2.16.840.1.101.3.4.2.3": "sha512",
}

Certificate = x509.Certificate


@dataclass(frozen=True, slots=True)
class Token:
    """What a time stamp says, before anybody trusts it.

    Attributes
    ----------
    time : datetime
        The authority's time, UTC.
    nonce : int or None
        The number that the request had drawn.
    certificates : tuple of Certificate
        Those that came with it.
    """

    time: datetime
    nonce: int | None
    certificates: tuple[Certificate, ...]


def new_request(data: bytes) -> bytes:
    """Write a request (``.tsq``) for a time stamp over `data`, with a nonce."""
    builder = TimestampRequestBuilder().data(data).hash_algorithm(HashAlgorithm.SHA256)
    return builder.nonce(nonce=True).cert_request(cert_request=True).build().as_bytes()


def ask(url: str, request: bytes) -> bytes:
    """Send a request to an authority and return its reply (``.tsr``).

    Raises
    ------
    UsageError
        The address is none, or nobody answers there.
    """
    if not url.lower().startswith(("https://", "http://")):
        raise UsageError(
            "no address of a time stamp authority", where=plain(url), do="give http(s)://…"
        )
    query = urllib.request.Request(url, data=request, headers={"Content-Type": _QUERY_TYPE})
    try:
        with urllib.request.urlopen(query, timeout=PATIENCE_S) as answer:
            reply: bytes = answer.read(LONGEST_REPLY + 1)
    except (urllib.error.URLError, OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise UsageError(
            f"no time stamp came ({plain(str(reason))})", where=plain(url),
            do="try again, or use --timestamp-request and carry the file to a machine with network",
        ) from error  # fmt: skip
    if len(reply) > LONGEST_REPLY:
        raise CheckFailed("the reply is far too long", where=plain(url), do="ask another authority")
    return reply


def read_token(reply: bytes) -> Token:
    """Read what a reply says, without trusting it.

    Raises
    ------
    ValueError
        It is no time stamp reply, or a refusal.
    """
    response = _decoded(reply)
    if response.status != 0:
        reasons = "; ".join(plain(str(text)) for text in response.status_string)
        raise ValueError(f"the authority refused: {reasons or response.status}")
    certificates = []
    for der in sorted(response.signed_data.certificates):
        with suppress(Exception), _quiet():  # one that nobody can read helps nobody
            certificates.append(x509.load_der_x509_certificate(der))
    info = response.tst_info
    return Token(info.gen_time, info.nonce, tuple(certificates))


def fits(reply: bytes, data: bytes, request: bytes | None) -> None:
    """Check that a reply is about this data and answers this request.

    Raises
    ------
    ValueError
        It does not.  Nothing is said about who signed it.
    """
    info = _decoded(reply).tst_info
    imprint = info.message_imprint
    name = _HASHES.get(imprint.hash_algorithm.dotted_string)
    if name is None:
        raise ValueError("it uses a hash that is not trusted any more")
    if hashlib.new(name, data).digest() != imprint.message:
        raise ValueError("it belongs to other data")
    if request is None:
        return
    try:
        asked = tsp.TimeStampReq.load(request, strict=True)
        nonce = asked["nonce"].native
        wanted = asked["message_imprint"]["hashed_message"].native
    except (ValueError, TypeError, KeyError) as error:
        raise ValueError("the request beside it is damaged") from error
    if nonce != info.nonce or wanted != imprint.message:
        raise ValueError("it does not answer the request beside it")


def signed_by(
    reply: bytes, data: bytes, roots: Sequence[Certificate], helpers: Iterable[Certificate]
) -> None:
    """Check that an authority below one of the roots signed a reply about this data.

    Parameters
    ----------
    reply, data : bytes
        The time stamp reply and what it should be about.
    roots : sequence of Certificate
        Trusted.
    helpers : iterable of Certificate
        May link the authority's certificate to a root; not trusted by themselves.

    Raises
    ------
    ValueError
        It does not hold.  Certificates are judged at the token's own time: one that expired
        since is no objection.
    """
    builder = VerifierBuilder()
    for root in {one.fingerprint(SHA256()): one for one in roots}.values():
        builder = builder.add_root_certificate(root)
    # The library trusts whatever it is given: a self-signed helper would become a root.
    links = {one.fingerprint(SHA256()): one for one in helpers if not _is_root(one)}
    for link in links.values():
        builder = builder.add_intermediate_certificate(link)
    try:
        with _quiet():
            builder.build().verify_message(_decoded(reply), data)
    except Exception as error:  # the library lets the errors of three others through
        raise ValueError(plain(str(error))) from error


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep remarks on odd but readable certificates from the terminal."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _is_root(certificate: Certificate) -> bool:
    return certificate.issuer == certificate.subject


def read_certificates(pem: bytes) -> list[Certificate]:
    """Read a file of PEM certificates.

    Raises
    ------
    ValueError
        It holds none.
    """
    return x509.load_pem_x509_certificates(pem)


def pem(certificates: Iterable[Certificate]) -> bytes:
    """Write certificates as PEM."""
    return b"".join(one.public_bytes(Encoding.PEM) for one in certificates)


def fingerprint(certificate: Certificate) -> str:
    """Return the SHA-256 of a certificate, hexadecimal, as openssl prints it without colons."""
    return certificate.fingerprint(SHA256()).hex()


def time_text(token: Token) -> str:
    """Write a token's time in RFC 3339."""
    return rfc3339(token.time)


def _decoded(reply: bytes) -> TimeStampResponse:
    """Decode a reply; one whose certificates stand in the wrong order is put in order first.

    Some authorities write the set of certificates unsorted, which DER forbids and openssl
    accepts.  Certificates are outside the signature, so that sorting them changes nothing.
    """
    if not reply or len(reply) > LONGEST_REPLY:
        raise ValueError("no time stamp reply")
    try:
        return decode_timestamp_response(reply)
    except ValueError as first:
        try:
            return decode_timestamp_response(_sorted(reply))
        except (ValueError, TypeError, KeyError, AttributeError):
            raise ValueError("no time stamp reply") from first


def _sorted(reply: bytes) -> bytes:
    """Put the certificates in order where they stand; nothing else moves.

    The library for ASN.1 could encode the whole anew, but takes ten seconds for it.
    """
    response = tsp.TimeStampResp.load(reply, strict=True)
    certificates = [one.dump() for one in response["time_stamp_token"]["content"]["certificates"]]
    together = b"".join(certificates)
    if reply.count(together) != 1:
        raise ValueError("the certificates do not stand together")
    return reply.replace(together, b"".join(sorted(certificates)))
