"""Makes a drawing smaller without changing what is seen: years of days have thousands of marks."""

from __future__ import annotations

import re
from collections import Counter

DIGITS = 2  # of a point: a thirtieth of a hair on paper
LEAST_USES = 4  # of a style, before it gets a name
TAG = re.compile(r"<[A-Za-z][^<>]*>")
INDENT = re.compile(r"\n\s+")
NUMBER = re.compile(r"-?\d+\.\d{3,}")
GEOMETRY = re.compile(r'(?<= )(?:d|x|y|points|transform)="[^"]*"')
# Text keeps its style beside it: a rule of the page would win over that of a name.
STYLED = re.compile(r'(<(?:use|path|rect|circle|polygon|polyline)\b[^>]*?) style="([^"]*)"')
IDENTITY = re.compile(r' id="([^"]+)"')
REFERENCE = re.compile(r'(?:href="|url\()#([^")]+)')


def slim(svg: str, key: str) -> str:
    """A drawing with rounded coordinates, short names and each style told once.

    Parameters
    ----------
    svg
        An ``svg`` element.
    key
        Unique on its page; goes before every name.
    """
    head, body = svg.split("<desc", 1)
    words, body = body.split("</desc>", 1)
    # Within tags only: what is written in a drawing is left alone.
    body = TAG.sub(lambda tag: GEOMETRY.sub(lambda found: NUMBER.sub(_rounded, found[0]), tag[0]), body)
    body = _short_names(body, key)
    body, rules = _named_styles(body, key)
    style = f"<style>{rules}</style>" if rules else ""
    return f"{head}<desc{words}</desc>{style}{INDENT.sub(chr(10), body)}"


def _rounded(found: re.Match[str]) -> str:
    return f"{float(found[0]):.{DIGITS}f}".rstrip("0").rstrip(".")


def _short_names(body: str, key: str) -> str:
    """Names that something refers to, as short as they can be; the others go."""
    tags = "".join(TAG.findall(body))
    names = {name: f"{key}--{number}" for number, name in enumerate(sorted(set(REFERENCE.findall(tags))))}

    def renamed(tag: re.Match[str]) -> str:
        said = IDENTITY.sub(lambda found: f' id="{names[found[1]]}"' if found[1] in names else "", tag[0])
        return REFERENCE.sub(lambda found: found[0].replace(found[1], names[found[1]]), said)

    return TAG.sub(renamed, body)


def _named_styles(body: str, key: str) -> tuple[str, str]:
    uses = Counter(found[2] for found in STYLED.finditer(body))
    often = [style for style, n in uses.items() if n >= LEAST_USES]
    names = {style: f"{key}--s{number}" for number, style in enumerate(often)}
    body = STYLED.sub(
        lambda found: f'{found[1]} class="{names[found[2]]}"' if found[2] in names else found[0], body
    )
    return body, "".join(f".{name}{{{style}}}" for style, name in names.items())
