"""The one script that draws every chart, and how data is put into a page without becoming code."""

from __future__ import annotations

import base64
import functools
import hashlib
import json
from importlib import resources
from typing import Any

import vl_convert

from failstats.show.theme import DARK, LIGHT, configuration

__all__ = [
    "chart_script",
    "content_policy",
    "drawing_library",
    "page_spec",
    "script_json",
    "template_text",
]


def template_text(name: str) -> str:
    """A file of ``failstats/report/templates``."""
    return (resources.files("failstats.report") / "templates" / name).read_text(encoding="utf-8")


@functools.cache
def drawing_library() -> str:
    """The Vega scripts as one text, safe inside a script element; built once per process."""
    code = vl_convert.javascript_bundle("window.failstatsEmbed = vegaEmbed;")
    return code.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def script_json(value: Any) -> str:
    """JSON that cannot end the script element it stands in: every ``<`` is written as an escape.

    >>> script_json("</script>")
    '"\\\\u003c/script>"'
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def chart_script() -> str:
    """The page's own script, with both dresses of the charts."""
    looks = {"light": configuration(LIGHT), "dark": configuration(DARK)}
    for look in looks.values():
        look["background"] = "transparent"
        look["padding"] = 2
    return template_text("page.js").replace("/*LOOKS*/{}", script_json(looks))


def page_spec(spec: dict[str, Any]) -> tuple[dict[str, Any], str, list[str]]:
    """A chart for the page: its words become HTML, its dress comes from the page.

    Parameters
    ----------
    spec : ``chart.to_dict()``.

    Returns
    -------
    The spec without title, configuration and schema address; the title; the notes under it.
    """
    bare = {key: value for key, value in spec.items() if key not in ("$schema", "config")}
    title = bare.pop("title", "")
    if isinstance(title, str):
        return bare, title, []
    notes = title.get("subtitle", [])
    return bare, str(title.get("text", "")), [notes] if isinstance(notes, str) else list(notes)


def content_policy(scripts: list[str]) -> str:
    """What the page may do: run these scripts, and nothing from anywhere else.

    Parameters
    ----------
    scripts : the exact texts of the page's scripts.

    Returns
    -------
    A Content-Security-Policy (W3C, level 3) that forbids every request.
    """
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
        for text in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
