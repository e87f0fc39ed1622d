"""A time stamp authority of our own on the loopback, run by the openssl program.

It proves nothing about real time; it shows that requests and tokens are understood by a
program that shares no code with ours.
"""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

CONFIG = """
[ ca ]
[ root_ext ]
basicConstraints = critical, CA:true
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[ middle_ext ]
basicConstraints = critical, CA:true, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[ stamp_ext ]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
subjectKeyIdentifier = hash
[ tsa ]
default_tsa = here
[ here ]
serial = {folder}/serial
signer_cert = {folder}/stamp.pem
certs = {folder}/chain.pem
signer_key = {folder}/stamp.key
signer_digest = sha256
default_policy = 1.3.6.1.4.1.99999.1
digests = sha256, sha512
accuracy = secs:1
ess_cert_id_chain = {whole_chain}
ess_cert_id_alg = sha256
"""


def openssl(*arguments: object) -> bytes:
    """Run openssl and return what it prints."""
    command = ["openssl", *map(str, arguments)]
    done = subprocess.run(command, check=False, capture_output=True)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


class Authority:
    """Root, intermediate and stamping certificate, and the replies of `openssl ts`."""

    def __init__(self, folder: Path, name: str, *, chain_in_token: bool = True) -> None:
        self.folder = folder
        folder.mkdir()
        (folder / "serial").write_text("01\n")
        whole = "yes" if chain_in_token else "no"
        self.config = folder / "openssl.cnf"
        self.config.write_text(CONFIG.format(folder=folder, whole_chain=whole))
        self._certificate("root", f"{name} root", "root_ext", issuer=None)
        self._certificate("middle", f"{name} intermediate", "middle_ext", issuer="root")
        self._certificate("stamp", f"{name} stamps", "stamp_ext", issuer="middle")
        chain = [folder / "middle.pem", *([folder / "root.pem"] if chain_in_token else [])]
        (folder / "chain.pem").write_bytes(b"".join(one.read_bytes() for one in chain))
        self.root, self.middle = folder / "root.pem", folder / "middle.pem"
        self.asked: list[bytes] = []

    def _certificate(self, name: str, subject: str, extensions: str, issuer: str | None) -> None:
        key, request, made = (self.folder / f"{name}{e}" for e in (".key", ".csr", ".pem"))
        openssl("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", key)
        openssl("req", "-new", "-key", key, "-subj", f"/CN={subject}", "-out", request,
                "-config", self._request_config())  # fmt: skip
        signed_by: tuple[object, ...] = ("-signkey", key)
        if issuer is not None:
            above = self.folder / issuer
            signed_by = ("-CA", f"{above}.pem", "-CAkey", f"{above}.key", "-CAcreateserial")
        openssl("x509", "-req", "-in", request, "-days", 30, "-sha256", "-out", made,
                "-extfile", self.config, "-extensions", extensions, *signed_by)  # fmt: skip

    def _request_config(self) -> Path:
        path = self.folder / "request.cnf"
        path.write_text("[ req ]\ndistinguished_name = dn\n[ dn ]\n")
        return path

    def reply(self, query: bytes) -> bytes:
        """Answer a request."""
        self.asked.append(query)
        asked, answer = self.folder / "query.tsq", self.folder / "answer.tsr"
        asked.write_bytes(query)
        openssl("ts", "-reply", "-config", self.config, "-section", "here", "-queryfile", asked,
                "-out", answer)  # fmt: skip
        return answer.read_bytes()

    @contextmanager
    def online(self) -> Iterator[str]:
        """Answer requests on the loopback; gives the address."""
        authority = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                query = self.rfile.read(int(self.headers["Content-Length"]))
                assert self.headers["Content-Type"] == "application/timestamp-query"
                reply = authority.reply(query)
                self.send_response(200)
                self.send_header("Content-Type", "application/timestamp-reply")
                self.end_headers()
                self.wfile.write(reply)

            def log_message(self, *_: Any) -> None:
                """Keep quiet."""

        server = HTTPServer(("127.0.0.1", 0), Handler)
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/"
        finally:
            server.shutdown()
            server.server_close()
            thread.join()
