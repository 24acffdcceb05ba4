"""One look for every chart: the colours, the fonts and the line widths, on light and on dark.

Chart functions name *roles* (``style="guide"``) and positions in a palette, never a colour, so
one chart can be shown on a light or a dark page by handing it another configuration.

The six series colours were found by search (maximin distance in CIE L*a*b* under normal sight and
under simulated protanopia and deuteranopia, matrices of Machado, Oliveira and Fernandes 2009,
"A physiologically-based model for simulation of color vision deficiency", severity 1.0), among
colours that reach 4.5 : 1 against the page (WCAG 2.2, success criterion 1.4.3).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import altair as alt

__all__ = ["DARK", "FONT", "LIGHT", "SERIES_COLOURS", "configuration", "contrast", "themed"]

FONT = 'system-ui, -apple-system, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif'
HEAT_MIDDLE = "#4075c6"  # black and white can both be read on it (4.5 : 1 each)
SERIES_COLOURS = 6  # more series than this are drawn as small pictures side by side

LIGHT: dict[str, Any] = {
    "page": "#ffffff",
    "ink": "#1b222b",
    "faint_ink": "#56606c",
    "rule": "#d5dae1",
    "guide": "#7b8592",
    "series": ["#183cb4", "#c0540c", "#00846c", "#1878a8", "#3c0c3c", "#3c2400"],
    "heat": ["#eef3fb", HEAT_MIDDLE, "#0f2a75"],
    "on_low": "#000000",
    "on_high": "#ffffff",
}
DARK: dict[str, Any] = {
    "page": "#14191f",
    "ink": "#e8ecf1",
    "faint_ink": "#a4afbc",
    "rule": "#333c47",
    "guide": "#7f8b99",
    "series": ["#3d9bff", "#e4e454", "#54fcb4", "#ccc0fc", "#b4783c", "#549084"],
    "heat": ["#16202c", HEAT_MIDDLE, "#cfe3ff"],
    "on_low": "#ffffff",
    "on_high": "#000000",
}


def _luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` (WCAG 2.2, "relative luminance")."""
    total = 0.0
    for start, weight in ((1, 0.2126), (3, 0.7152), (5, 0.0722)):
        level = int(colour[start : start + 2], 16) / 255
        linear = level / 12.92 if level <= 0.04045 else ((level + 0.055) / 1.055) ** 2.4
        total += weight * linear
    return total


def contrast(first: str, second: str) -> float:
    """How well one colour can be read on the other: 1 (not at all) to 21 (black on white).

    Parameters
    ----------
    first, second : colours as ``#rrggbb``; the order does not matter.

    Returns
    -------
    The contrast ratio of WCAG 2.2.

    >>> round(contrast("#000000", "#ffffff"), 1)
    21.0
    """
    bright, dim = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def configuration(colours: Mapping[str, Any] = LIGHT) -> dict[str, Any]:
    """The Vega-Lite configuration that dresses every chart.

    Parameters
    ----------
    colours : ``LIGHT`` or ``DARK``.

    Returns
    -------
    A JSON-safe dictionary; the background is transparent, so the page shows through.
    """
    ink, faint, rule = colours["ink"], colours["faint_ink"], colours["rule"]
    first = colours["series"][0]
    return {
        "background": "transparent" if colours is DARK else colours["page"],
        "font": FONT,
        "padding": 8,
        "view": {"stroke": None, "continuousWidth": 460, "continuousHeight": 260},
        "title": {
            "anchor": "start",
            "frame": "group",
            "color": ink,
            "fontSize": 15,
            "fontWeight": 600,
            "offset": 14,
            "subtitleColor": faint,
            "subtitleFontSize": 12,
            "subtitlePadding": 4,
        },
        "axis": {
            "domainColor": rule,
            "gridColor": rule,
            "gridOpacity": 0.7,
            "tickColor": rule,
            "labelColor": faint,
            "labelFontSize": 12,
            "titleColor": ink,
            "titleFontSize": 12,
            "titleFontWeight": 500,
            "labelLimit": 240,
        },
        "axisY": {"domain": False, "ticks": False, "labelPadding": 6},
        "header": {
            "title": None,
            "labelColor": ink,
            "labelFontSize": 12,
            "labelFontWeight": 600,
            "labelAnchor": "start",
            "labelOrient": "top",
            "labelPadding": 4,
        },
        "legend": {
            "orient": "top",
            "labelColor": ink,
            "labelFontSize": 12,
            "titleColor": ink,
            "titleFontSize": 12,
            "labelLimit": 260,
        },
        "line": {"strokeWidth": 2, "color": first},
        "bar": {"color": first},
        "point": {"color": first, "filled": True, "size": 70, "opacity": 1},
        "rule": {"color": first, "strokeWidth": 2},
        "area": {"color": first},
        "text": {"color": ink, "fontSize": 12},
        "style": {
            "band": {"fillOpacity": 0.16, "strokeWidth": 0},
            "fitted": {"strokeDash": [5, 4], "strokeWidth": 1.5},
            "guide": {"color": colours["guide"], "strokeDash": [4, 3], "strokeWidth": 1.2},
            "name": {"color": ink, "align": "left", "baseline": "middle", "dx": 6, "fontSize": 12},
            "value": {"color": faint, "fontSize": 11},
            "on_low": {"color": colours["on_low"], "fontSize": 12},
            "on_high": {"color": colours["on_high"], "fontSize": 12},
            "warning_bar": {"color": colours["series"][1]},
        },
        "range": {
            "category": list(colours["series"]),
            "heatmap": list(colours["heat"]),
            "ramp": list(colours["heat"]),
        },
    }


def themed(chart: Any) -> Any:
    """The same chart in the house look, without touching the user's own altair settings.

    Parameters
    ----------
    chart : a finished chart (not one that will be laid over or beside another).

    Returns
    -------
    A copy that carries the light configuration.
    """
    dressed = chart.copy(deep=False)
    dressed.config = alt.Config.from_dict(configuration())
    return dressed
