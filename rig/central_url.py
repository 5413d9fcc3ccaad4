"""What may stand in the URL of central records: no password, since the rig file is copied."""

from __future__ import annotations

import re
from urllib.parse import parse_qsl, urlsplit

_PASSWORD = re.compile(r"[^:/]*://[^:/]*:[^@]*@")
"""A user with a password, as SQLAlchemy reads URLs: `/`, `?` or `#` do not end a password there."""
_USER = re.compile(r"[^:/]*://[^/]*[?#][^/]*@")  # ... and what would be read as the user's name
_SECRETS = ("password", "sslpassword", "oauth_client_secret", "scram_client_key")
# https://www.postgresql.org/docs/current/libpq-connect.html, Parameter Key Words


def trouble_with_url(url: str) -> str:
    """Return what is wrong with the URL of central records, without repeating it; "" if nothing."""
    try:
        scheme = urlsplit(url).scheme
    except ValueError:
        scheme = ""
    asked = parse_qsl(url.partition("?")[2], keep_blank_values=True)
    if (
        _PASSWORD.match(url)
        or _USER.match(url)
        or any(name.strip().lower() in _SECRETS for name, _ in asked)
    ):
        return "this URL has a password in it, where others can read it"
    if not scheme:
        return "this URL cannot be read"
    if scheme not in ("postgresql", "postgresql+psycopg"):
        return "this is no URL of a PostgreSQL database"
    return ""


WHAT_IT_MAY_BE = (
    "one like postgresql://bench1@server.example/halfturn?sslmode=verify-full; the password goes "
    "into ~/.pgpass (mode 0600) as HOST:PORT:DATABASE:USER:PASSWORD"
)
