"""What may stand in the URL of central records: no password, since the rig file is copied."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit


def trouble_with_url(url: str) -> str:
    """Return what is wrong with the URL of central records, without repeating it; "" if nothing."""
    try:
        parts = urlsplit(url)
        password = parts.password
    except ValueError:
        return "this URL cannot be read"
    if password is not None or "password" in parse_qs(parts.query, keep_blank_values=True):
        return "this URL has a password in it, where others can read it"
    if parts.scheme not in ("postgresql", "postgresql+psycopg"):
        return "this is no URL of a PostgreSQL database"
    return ""


WHAT_IT_MAY_BE = (
    "one like postgresql://bench1@server.example/halfturn?sslmode=verify-full; the password goes "
    "into ~/.pgpass (mode 0600) as HOST:PORT:DATABASE:USER:PASSWORD"
)
