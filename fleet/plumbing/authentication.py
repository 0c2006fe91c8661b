"""API tokens: shown once, kept as a hash, valid until a date that everybody can see."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import Any, ClassVar

from django.db.models import Q
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from fleet.faults import Fault, Faults
from fleet.plumbing.models import ApiToken

MARK = "wb_"
USE_NOTED_EVERY = timedelta(minutes=1)


def _sha256(plain: str) -> str:
    # One round of SHA-256 is right here: the token is 256 random bits, so there is nothing to
    # guess that a slow hash would protect, and every request would pay for it. The lookup goes
    # by the hash, so the time it takes tells nothing about the token.
    return hashlib.sha256(plain.encode()).hexdigest()


def issue_token(*, user: Any, name: str, expires_at: datetime) -> tuple[ApiToken, str]:
    """A new token and its plain text, which cannot be had again.

    name: what it is for, so that its owner knows later which one to withdraw.
    Raises Faults for an empty or overlong name or an end date that has passed.
    """
    now = timezone.now()
    faults: list[Fault] = []
    name = name.strip()
    if not 1 <= len(name) <= 80:
        faults.append(Fault("Give the token a name of 1 to 80 characters.", field="name"))
    if expires_at <= now:
        faults.append(Fault("Choose an end date in the future.", field="expires_at"))
    if faults:
        raise Faults(faults)
    plain = MARK + secrets.token_urlsafe(32)
    token = ApiToken.objects.create(
        user=user,
        name=name,
        prefix=plain[:8],
        sha256=_sha256(plain),
        created_at=now,
        expires_at=expires_at,
    )
    return token, plain


def revoke_token(*, token: ApiToken) -> None:
    """Withdraws a token at once; a second time changes nothing."""
    ApiToken.objects.filter(pk=token.pk, revoked_at__isnull=True).update(revoked_at=timezone.now())


class TokenAuthentication(BaseAuthentication):
    """Authorization: Bearer wb_…"""

    keyword: ClassVar[str] = "Bearer"

    def authenticate(self, request: Request) -> tuple[Any, ApiToken] | None:
        """(user, token), or None when another way of signing in was used.

        Raises AuthenticationFailed with the reason: unknown, withdrawn or past its end date.
        """
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() != self.keyword.lower().encode():
            return None
        if len(parts) != 2:
            raise AuthenticationFailed(
                "Send Authorization: Bearer, one space and the token, nothing else.",
                code="token_unknown",
            )
        now = timezone.now()
        token = (
            ApiToken.objects.select_related("user")
            .filter(sha256=_sha256(parts[1].decode("latin-1")))
            .first()
        )
        if token is None or not token.user.is_active:
            raise AuthenticationFailed(
                "This token is not known. Check that the whole of it was copied.",
                code="token_unknown",
            )
        if token.revoked_at is not None:
            raise AuthenticationFailed(
                f"This token was withdrawn on {_day(token.revoked_at)}. Have a new one issued.",
                code="token_revoked",
            )
        if token.expires_at <= now:
            raise AuthenticationFailed(
                f"This token ended on {_day(token.expires_at)}. Have a new one issued.",
                code="token_expired",
            )
        self._note_use(token, now)
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        return f'{self.keyword} realm="Wearbook"'

    def _note_use(self, token: ApiToken, now: datetime) -> None:
        # At most once a minute: a row written by every request would be a queue for all of them.
        before = now - USE_NOTED_EVERY
        if token.last_used_at is None or token.last_used_at < before:
            ApiToken.objects.filter(
                Q(last_used_at__isnull=True) | Q(last_used_at__lt=before), pk=token.pk
            ).update(last_used_at=now)


def _day(moment: datetime) -> str:
    return f"{moment.day} {moment:%b %Y}"


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """Tells the OpenAPI document about the token."""

    target_class = "fleet.plumbing.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer", "bearerFormat": "wb_…"}
