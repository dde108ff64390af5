"""A provider of OpenID Connect on this computer: real keys, real tokens, and every way to fail.

It keeps to the letter of what it is asked: the address to send people back to must be the one
that was registered, the client must know its secret, a code is good once, and its verifier must
be the one of the challenge (RFC 6749, 4.1.3; RFC 7636, 4.6).
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import ssl
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey
from joserfc.jws import JWSRegistry

CLIENT, SECRET = "watt-pages", "s3cret-of-the-pages"

Key = RSAKey | ECKey | OctKey


def s256(verifier: str) -> str:
    """Code challenge of a verifier, by the standard library (RFC 7636, 4.2)."""
    digest = hashlib.sha256(verifier.encode("ascii")).digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def token(key: Key | None, claims: dict[str, Any], alg: str) -> str:
    """A signed token; without a key, one that nobody signed."""
    if key is None:
        head, body = (
            base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=").decode()
            for part in ({"alg": "none"}, claims)
        )
        return f"{head}.{body}."
    header = {"alg": alg, "kid": key.kid}
    return jwt.encode(header, claims, key, registry=JWSRegistry(algorithms=[alg]))


class OpenIDProvider:
    """The provider; its attributes are what a test changes.

    Attributes
    ----------
    person
        Claims about whoever is signed in there.
    claims
        What an ID token says instead of what it should; None leaves a claim out.
    key, alg
        What signs.
    published
        Keys that it shows.
    document
        What it says of itself instead of what it should.
    userinfo
        What its UserInfo says, where it has one.
    spoilt
        Addresses at which it answers with something else.
    slow
        It waits with its answers until this is set.
    answer
        What it sends people back with instead of a code.
    """

    def __init__(self, redirect_uri: str, *, key: Key, trust: ssl.SSLContext | None = None) -> None:
        self.redirect_uri = redirect_uri
        self.person: dict[str, Any] = {
            "sub": "248289761001",
            "email": "ines@example.org",
            "email_verified": True,
        }
        self.claims: dict[str, Any] = {}
        self.key: Key | None = key
        self.alg = "RS256"
        self.published: list[Key] = [key]
        self.document: dict[str, Any] = {}
        self.userinfo: dict[str, Any] | None = None
        self.answer: dict[str, str] | None = None
        self.spoilt: set[str] = set()
        self.slow = threading.Event()
        self.slow.set()
        #: What went through its hands: requests by path, codes, verifiers, tokens.
        self.asked: list[str] = []
        self.authorizations: list[dict[str, str]] = []
        self.secrets: list[str] = [SECRET]
        self.codes: dict[str, dict[str, str]] = {}
        provider = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                provider._get(self)

            def do_POST(self) -> None:
                provider._post(self)

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        scheme = "http" if trust is None else "https"
        if trust is not None:
            self._server.socket = trust.wrap_socket(self._server.socket, server_side=True)
        self.issuer = f"{scheme}://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)

    def _get(self, request: BaseHTTPRequestHandler) -> None:
        url = urlsplit(request.path)
        self.asked.append(url.path)
        self.slow.wait(20)
        if url.path in self.spoilt:
            self._send(request, 200, b"<p>Under maintenance.</p>", "text/html")
        elif url.path == "/.well-known/openid-configuration":
            self._json(request, self._described())
        elif url.path == "/keys":
            self._json(request, KeySet(self.published).as_dict(private=False))
        elif url.path == "/authorize":
            self._authorize(request, {k: v[0] for k, v in parse_qs(url.query).items()})
        elif url.path == "/userinfo" and self.userinfo is not None:
            assert request.headers["Authorization"] == "Bearer access-1"
            self._json(request, self.userinfo)
        else:
            self._json(request, {"error": "not_found"}, 404)

    def _described(self) -> dict[str, Any]:
        more = {} if self.userinfo is None else {"userinfo_endpoint": f"{self.issuer}/userinfo"}
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            # As some do: also those that a client must not take.
            "id_token_signing_alg_values_supported": ["RS256", "ES256", "HS256", "none"],
            **more,
            **self.document,
        }

    def _authorize(self, request: BaseHTTPRequestHandler, asked: dict[str, str]) -> None:
        self.authorizations.append(asked)
        fits = (
            asked.get("client_id") == CLIENT
            and asked.get("redirect_uri") == self.redirect_uri
            and asked.get("response_type") == "code"
            and "openid" in asked.get("scope", "").split()
            and asked.get("code_challenge_method") == "S256"
        )
        if not fits:
            self._json(request, {"error": "invalid_request"}, 400)
            return
        if self.answer is not None:
            back = self.answer
        else:
            code = secrets.token_urlsafe(16)
            self.codes[code] = asked
            back = {"code": code}
        request.send_response(302)
        query = urlencode({**back, "state": asked["state"]})
        request.send_header("Location", f"{self.redirect_uri}?{query}")
        request.send_header("Content-Length", "0")
        request.end_headers()

    def _post(self, request: BaseHTTPRequestHandler) -> None:
        self.asked.append(request.path)
        sent = request.rfile.read(int(request.headers["Content-Length"])).decode()
        form = {key: values[0] for key, values in parse_qs(sent).items()}
        self.secrets += [form.get("code", ""), form.get("code_verifier", "")]
        basic = base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        by_form = (form.get("client_id"), form.get("client_secret")) == (CLIENT, SECRET)
        if request.path == "/moved":
            request.send_response(307)
            request.send_header("Location", f"{self.issuer}/token")
            request.send_header("Content-Length", "0")
            request.end_headers()
        elif "/token" in self.spoilt:
            self._send(request, 200, b"<p>Under maintenance.</p>", "text/html")
        elif request.headers.get("Authorization") != f"Basic {basic}" and not by_form:
            self._json(request, {"error": "invalid_client"}, 401)
        elif (asked := self.codes.pop(form.get("code", ""), None)) is None or (
            form.get("redirect_uri") != asked["redirect_uri"]
            or s256(form.get("code_verifier", "")) != asked["code_challenge"]
        ):
            about = f"of {form.get('code')} for {self.person['email']}"
            self._json(request, {"error": "invalid_grant", "error_description": about}, 400)
        else:
            self._json(request, self._tokens(asked))

    def _tokens(self, asked: dict[str, str]) -> dict[str, Any]:
        now = int(time.time())
        claims = {
            "iss": self.issuer,
            "aud": CLIENT,
            "iat": now,
            "exp": now + 300,
            "nonce": asked["nonce"],
            **self.person,
            **self.claims,
        }
        signed = token(self.key, {k: v for k, v in claims.items() if v is not None}, self.alg)
        self.secrets.append(signed)
        return {
            "access_token": "access-1",
            "token_type": "Bearer",
            "expires_in": 300,
            "id_token": signed,
        }

    def _json(self, request: BaseHTTPRequestHandler, document: Any, status: int = 200) -> None:
        self._send(request, status, json.dumps(document).encode(), "application/json")

    def _send(self, request: BaseHTTPRequestHandler, status: int, body: bytes, kind: str) -> None:
        request.send_response(status)
        request.send_header("Content-Type", kind)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)
