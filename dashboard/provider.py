"""Signing in through an OpenID Connect provider: what the operator says of it, and the protocol.

The protocol is Authlib's: the authorization code flow with PKCE, and the checks of the ID token
(OpenID Connect Core 1.0, 3.1.3.7). Here stands what it leaves open: which issuer, audience and
algorithms are taken, what is asked over the wire and how long, and what of it may be logged.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from pathlib import Path
from threading import BoundedSemaphore, Lock
from time import monotonic
from typing import Annotated, Any, Final, Literal, NoReturn
from urllib.parse import urlsplit

from authlib.common.errors import AuthlibBaseError
from authlib.integrations.flask_client import FlaskIntegration, FlaskOAuth2App
from authlib.integrations.requests_client import OAuth2Session
from authlib.oidc.discovery import get_well_known_url
from joserfc.errors import JoseError
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from dashboard.telling.words import clean
from monitor.described import EnvName, between, credential, web_address, without_secrets
from monitor.errors import PledgewattError
from monitor.models import Record, record_from_toml
from monitor.store.bindings import Vouched

log = logging.getLogger(__name__)
# It writes the code verifier, a secret, into the log of whoever asks for every detail.
logging.getLogger("authlib").setLevel(logging.INFO)

#: Where a provider sends people back to: below the address of the pages.
BACK: Final = "/login/provider/back"

_SECRETS: Final = frozenset({"client_secret", "secret", "password"})

#: Signatures that are taken: by a key pair. `none` signs nothing, and HS256 would make the
#: secret that is sent to the provider a key (RFC 8725, 3.1 and 3.2).
_ALGORITHMS: Final = tuple(
    f"{kind}{bits}" for kind in ("RS", "PS", "ES") for bits in (256, 384, 512)
)

#: How far the clocks may differ, in seconds.
_LEEWAY_S: Final = 60

#: Longest subject of an issuer (OpenID Connect Core 1.0, section 2).
_MOST_SUBJECT: Final = 255

#: How long what a provider says of itself is kept, in seconds.
_KEPT_S: Final = 3600.0

#: Visitors for whom the provider is asked at the same time: where it is slow, no more threads
#: than these wait for it, and the pages are served by the others.
_AT_ONCE: Final = 4

WebAddress = Annotated[str, AfterValidator(web_address)]


class Provider(Record):
    """The provider that people may sign in through.

    Attributes
    ----------
    name
        What the sign-in page calls it.
    issuer
        Its issuer identifier, letter by letter; below it lies its discovery document.
    client_id, client_secret_env
        What it knows these pages by, and the variable with the secret that goes with that.
    base_url
        Address of these pages; that and `BACK` is the one address it sends people back to.
    prompt
        What it is to ask of people although it knows them already.
    ca_file
        Certificates of an authority of one's own (PEM).
    timeout
        Longest silence within one of its answers.
    """

    name: str = Field(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f\x7f]*$")
    issuer: WebAddress
    client_id: str = Field(min_length=1, max_length=255)
    client_secret_env: EnvName
    base_url: WebAddress
    prompt: Literal["login", "select_account"] | None = None
    ca_file: Path | None = None
    timeout: Annotated[timedelta, between(timedelta(seconds=1), timedelta(minutes=1))] = timedelta(
        seconds=10
    )

    @model_validator(mode="before")
    @classmethod
    def _no_secrets(cls, data: Any) -> Any:
        return without_secrets(data, _SECRETS, "name that variable in 'client_secret_env'")

    @field_validator("issuer")
    @classmethod
    def _is_an_issuer(cls, issuer: str) -> str:
        if urlsplit(issuer).query or urlsplit(issuer).fragment:
            message = "an issuer has no '?' and no '#'"
            raise ValueError(message)
        return issuer

    @field_validator("base_url")
    @classmethod
    def _is_a_root(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.path.strip("/") or parts.query or parts.fragment:
            message = "give scheme and host alone: the pages begin at '/'"
            raise ValueError(message)
        return url.rstrip("/")

    @property
    def redirect_uri(self) -> str:
        """The address to register with the provider."""
        return self.base_url + BACK


def provider_from_toml(path: Path) -> Provider:
    """Read what is said of a provider; see docs/access.md for its keys.

    Raises
    ------
    DescriptionError
        With the file, each wrong key and why, as sentences.
    """
    read = record_from_toml(Provider, path, what="sign-in")
    if read.ca_file is None:
        return read
    return read.model_copy(update={"ca_file": path.absolute().parent / read.ca_file})


class Fault(Enum):
    """Why a provider vouches for nobody; the values stand in the log."""

    UNREACHABLE = "unreachable"
    STALE = "out of date"
    REFUSED = "refused"
    UNPROVEN = "not proven"


class ProviderError(PledgewattError):
    """A provider does not vouch for somebody."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(f"The provider vouches for nobody: {fault.value}.")


@dataclass(frozen=True)
class Begun:
    """A sign-in that has begun: where it goes on, and what must come back."""

    url: str
    state: str
    nonce: str
    verifier: str


class _Document(BaseModel):
    """What is used of the discovery document (OpenID Connect Discovery 1.0, section 3)."""

    model_config = ConfigDict(frozen=True)

    issuer: str
    authorization_endpoint: WebAddress
    token_endpoint: WebAddress
    jwks_uri: WebAddress
    userinfo_endpoint: WebAddress | None = None
    id_token_signing_alg_values_supported: tuple[str, ...]
    token_endpoint_auth_methods_supported: tuple[str, ...] = ("client_secret_basic",)


def _word(error: object) -> str:
    """An error code for the log; what else a provider says of an error may hold anything."""
    return error if isinstance(error, str) and re.fullmatch("[a-z_]{1,40}", error) else "nothing"


class Client:
    """These pages as the provider sees them.

    Raises
    ------
    PledgewattError
        The secret is not set.
    """

    def __init__(self, provider: Provider) -> None:
        self.provider = provider
        self._secret = credential(provider.client_secret_env, f"Signing in through {provider.name}")
        self._places = BoundedSemaphore(_AT_ONCE)
        self._lock = Lock()
        self._known: tuple[float, Any] | None = None

    def begin(self) -> Begun:
        """Make up a sign-in for one visitor.

        Raises
        ------
        ProviderError
            The provider is out of reach, or does not describe itself as it should.
        """
        with self._asking() as app:
            made = app.create_authorization_url(self.provider.redirect_uri)
            return Begun(made["url"], made["state"], made["nonce"], made["code_verifier"])

    def code(self, answer: Mapping[str, str]) -> str:
        """The code in what a visitor brings back from the provider.

        Raises
        ------
        ProviderError
            There is none, because the provider or the visitor would not; or it is of another one.
        """
        if answer.get("iss", self.provider.issuer) != self.provider.issuer:  # RFC 9207, 2.4
            self._fail(Fault.UNPROVEN, "the answer is of another issuer")
        if "error" in answer or not answer.get("code"):
            self._fail(Fault.REFUSED, f"it answers {_word(answer.get('error'))}")
        return answer["code"]

    def finish(self, code: str, *, nonce: str, verifier: str) -> Vouched:
        """Exchange a code for the ID token of whoever has signed in, and check that.

        Raises
        ------
        ProviderError
            The code is not good any more, or what came for it proves nothing.
        """
        with self._asking() as app:
            token = app.fetch_access_token(
                self.provider.redirect_uri, code=code, code_verifier=verifier
            )
            claims = app.parse_id_token(
                token,
                nonce=nonce,
                # Of these Authlib would take the first from the provider, and leave out the rest.
                claims_options={
                    "iss": {"essential": True, "value": self.provider.issuer},
                    "aud": {"essential": True, "value": self.provider.client_id},
                    "sub": {"essential": True},
                },
                leeway=_LEEWAY_S,
            )
            if claims is None or len(claims["sub"]) > _MOST_SUBJECT:
                self._fail(Fault.UNPROVEN, "no ID token, or a subject that is too long")
            return Vouched(self.provider.issuer, claims["sub"], self._email(app, token, claims))

    def _email(self, app: Any, token: Any, claims: Any) -> str | None:
        """The e-mail that the provider has verified, of the ID token or of its UserInfo."""
        if "email" not in claims and app.server_metadata.get("userinfo_endpoint"):
            # OpenID Connect Core 1.0, 5.4: with a code, the scope `email` may be answered there.
            info = app.userinfo(token=token)
            if info.get("sub") != claims["sub"]:  # 5.3.2: or it is somebody else's
                self._fail(Fault.UNPROVEN, "the UserInfo is of another subject")
            claims = info
        email = claims.get("email")
        verified = claims.get("email_verified") is True
        return email if verified and isinstance(email, str) else None

    @contextmanager
    def _asking(self) -> Iterator[Any]:
        """The provider's application of Authlib, with a place to wait for its answers."""
        if not self._places.acquire(blocking=False):
            self._fail(Fault.UNREACHABLE, "it is waited for by as many visitors as may")
        try:
            yield self._app()
        except AuthlibBaseError as error:
            stale = error.error == "invalid_grant"
            fault = Fault.STALE if stale else Fault.UNPROVEN
            self._fail(fault, f"it answers {_word(error.error)}", error)
        except (OSError, ValidationError, JoseError) as error:
            # All that goes wrong on the way (requests) is an OSError; none quotes a token.
            out_of_reach = isinstance(error, OSError)
            fault = Fault.UNREACHABLE if out_of_reach else Fault.UNPROVEN
            self._fail(fault, f"{type(error).__name__}: {error}", error)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            self._fail(Fault.UNPROVEN, f"its answer has another form ({type(error).__name__})")
        finally:
            self._places.release()

    def _fail(self, fault: Fault, said: str, cause: Exception | None = None) -> NoReturn:
        log.warning("Signing in through %s: %s", self.provider.name, clean(said, 300))
        raise ProviderError(fault) from cause

    def _app(self) -> Any:
        with self._lock:
            if self._known is None or monotonic() - self._known[0] > _KEPT_S:
                self._known = monotonic(), self._discovered()
            return self._known[1]

    def _discovered(self) -> Any:
        provider = self.provider
        way: dict[str, Any] = {
            "default_timeout": provider.timeout.total_seconds(),
            "verify": True if provider.ca_file is None else str(provider.ca_file),
            "trust_env": False,
            "max_redirects": 0,
        }
        with OAuth2Session(**way) as session:
            answer = session.request(
                "GET", get_well_known_url(provider.issuer, external=True), withhold_token=True
            )
            answer.raise_for_status()
            found = _Document.model_validate(answer.json())
        if found.issuer != provider.issuer:  # OpenID Connect Discovery 1.0, 4.3
            self._fail(
                Fault.UNPROVEN, f"it calls itself '{found.issuer}'; 'issuer' must say just that"
            )
        usable = [one for one in found.id_token_signing_alg_values_supported if one in _ALGORITHMS]
        if not usable:
            self._fail(Fault.UNPROVEN, "it signs with no algorithm that is taken here")
        post = "client_secret_basic" not in found.token_endpoint_auth_methods_supported
        return FlaskOAuth2App(
            FlaskIntegration("provider"),
            "provider",
            client_id=provider.client_id,
            client_secret=self._secret,
            authorize_params={} if provider.prompt is None else {"prompt": provider.prompt},
            client_kwargs=way
            | {
                "scope": "openid email",
                "code_challenge_method": "S256",
                "token_endpoint_auth_method": (
                    "client_secret_post" if post else "client_secret_basic"
                ),
            },
            user_agent="pledgewatt",
            **found.model_dump(exclude={"token_endpoint_auth_methods_supported"})
            | {"id_token_signing_alg_values_supported": usable},
        )
