"""Plain values as TOML writes them."""

from __future__ import annotations

import json

from ..store.plain_text import escaped


def toml(value: object) -> str:
    """Write a plain value as TOML does."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, str):
        return escaped(json.dumps(value, ensure_ascii=False))  # JSON's escapes are TOML's too
    return f"{value}"
