"""A database URL as it may be shown: in logs, errors and on the screen, without its secrets."""

from __future__ import annotations

import re

# Up to the last @ of the authority: a password may hold one that was not written as %40.
PASSWORD = re.compile(r"(://[^/:@?#]*:)[^?#]*@")
# libpq takes both as parameters too: https://www.postgresql.org/docs/current/libpq-connect.html
PARAMETER = re.compile(r"([?&](?:password|sslpassword)=)[^&#]*", re.IGNORECASE)
HIDDEN = r"\1***"


def without_password(url: str) -> str:
    """The URL with three stars for each secret in it; a plain path stays as it is."""
    if "://" not in url:
        return url
    return PARAMETER.sub(HIDDEN, PASSWORD.sub(HIDDEN + "@", url))


def has_password(url: str) -> bool:
    """Whether a URL holds a secret."""
    return without_password(url) != url
