"""How long a dryer's exhaust run is in the eyes of the code, and how hard air is pushed through.

Lengths in metres, flow in cubic metres per second, pressure in pascals. A code deduction is a
convention, not a hydraulic equivalent: equivalent length and pressure drop are two scales.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.read_only import freeze

__all__ = [
    "BASE_LENGTH",
    "CAUTION",
    "CODE_TABLE",
    "ELBOW_LENGTH",
    "RunLength",
    "colebrook_friction",
    "equivalent_length",
    "fitting_length",
    "over_limit",
    "pressure_drop",
]

FloatArray = NDArray[np.float64]

FOOT = 0.3048
INCH = 0.0254

CAUTION = (
    "Jurisdictions differ: the local authority and the maker's instructions govern. The limit is "
    "read from the model residential code and must be verified against the code in force. A "
    "domestic booster fan and a listed dryer power ventilator are different things and neither is "
    "counted here."
)

# Longest run from the transition duct to the terminal, before deductions. 35 ft (10 668 mm) seen in
# adopted state texts of the 2015, 2018, 2021 and 2024 editions of the residential code; 25 ft in
# the 2000 edition.
BASE_LENGTH = MappingProxyType(
    {
        "2000": 25 * FOOT,
        "2015": 35 * FOOT,
        "2018": 35 * FOOT,
        "2021": 35 * FOOT,
        "2024": 35 * FOOT,
    }
)
# Number of the deduction table by edition.
CODE_TABLE = MappingProxyType(
    {
        "2015": "M1502.4.5.1",
        "2018": "M1502.4.5.1",
        "2021": "M1502.4.6.1",
        "2024": "M1502.4.6.1",
    }
)
# Length charged per elbow (45 degrees, 90 degrees) by radius in inches; 4 in is the mitred elbow.
# Same source as the base length.
ELBOW_LENGTH = MappingProxyType(
    {
        4: (2.5 * FOOT, 5.0 * FOOT),
        6: (1.0 * FOOT, 1.75 * FOOT),
        8: (1.0 * FOOT, (1 + 7 / 12) * FOOT),
        10: (0.75 * FOOT, 1.5 * FOOT),
    }
)
# How far a recorded radius may be from the nominal one (rounding to a centimetre).
RADIUS_TOLERANCE = 0.006

# Air at 20 degrees C and sea level (standard property tables, from memory).
AIR_DENSITY = 1.204
AIR_VISCOSITY = 1.81e-5
# Galvanised duct with joints: 0.0003 ft.
ROUGHNESS = 0.0003 * FOOT
DUCT_DIAMETER = 4 * INCH
LAMINAR = 2300.0


def _edition(edition: str) -> str:
    if edition not in BASE_LENGTH:
        raise InputError(
            f"edition must be one of {', '.join(BASE_LENGTH)}, but is {edition!r}.",
            do="name the edition of the residential code that is in force locally.",
        )
    return edition


def _at_least_zero(value: ArrayLike, name: str) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if (array < 0).any() or np.isinf(array).any():
        raise InputError(f"{name} must be finite and 0 or more (or unknown).")
    return array


def _elbow_lengths(radius: FloatArray, edition: str) -> tuple[FloatArray, FloatArray]:
    """Length charged per 45 and per 90 degree elbow; a blank radius is the mitred elbow."""
    mitred = ELBOW_LENGTH[4]
    short, long = np.full(radius.shape, mitred[0]), np.full(radius.shape, mitred[1])
    known = np.isnan(radius)
    for inches, lengths in ELBOW_LENGTH.items():
        here = np.abs(radius - inches * INCH) <= RADIUS_TOLERANCE
        known |= here
        if edition != "2000":
            short, long = np.where(here, lengths[0], short), np.where(here, lengths[1], long)
    if not known.all():
        bad = radius[~known]
        raise InputError(
            "elbow_radius must be 4, 6, 8 or 10 inches (0.102, 0.152, 0.203 or 0.254 m), but "
            f"{bad.size} values are not.",
            where=f"first: {bad.ravel()[0]:.4g} m",
            do="leave the radius blank if unknown; the elbow then counts as mitred.",
        )
    return short, long


def fitting_length(
    *,
    elbows_90: ArrayLike = 0,
    elbows_45: ArrayLike = 0,
    elbow_radius: ArrayLike | None = None,
    edition: str = "2021",
) -> FloatArray:
    """Length the code charges for the elbows of a run, in metres.

    Parameters
    ----------
    elbows_90, elbows_45 : how many; NaN is unknown and gives NaN.
    elbow_radius : in metres, one of 4, 6, 8, 10 inches; blank or NaN is the 4 in mitred elbow.
    edition : of the residential code.

    Returns
    -------
    Metres, broadcast shape. Runs with elbows of several radii: add the calls up.

    Notes
    -----
    For the 2000 edition only the mitred values were seen, so all its elbows are charged as such.

    Examples
    --------
    >>> float((fitting_length(elbows_90=4, elbow_radius=6 * 0.0254) / 0.3048).round(6))
    7.0
    """
    _edition(edition)
    right = _at_least_zero(elbows_90, "elbows_90")
    half = _at_least_zero(elbows_45, "elbows_45")
    radius = np.asarray(np.nan if elbow_radius is None else elbow_radius, dtype=np.float64)
    short, long = _elbow_lengths(radius, edition)
    return right * long + half * short


def equivalent_length(
    straight: ArrayLike,
    *,
    elbows_90: ArrayLike = 0,
    elbows_45: ArrayLike = 0,
    elbow_radius: ArrayLike | None = None,
    edition: str = "2021",
) -> FloatArray:
    """Straight duct plus what the code charges for its elbows, in metres.

    Parameters
    ----------
    straight : metres of straight duct from the transition duct to the terminal (the transition
        duct itself is not counted). Others as in ``fitting_length``.

    Returns
    -------
    Metres; NaN where the length or a number of elbows is unknown.

    Examples
    --------
    >>> run = equivalent_length(24 * 0.3048, elbows_90=2, elbows_45=1)
    >>> float((run / 0.3048).round(6))
    36.5
    """
    length = _at_least_zero(straight, "straight")
    return length + fitting_length(
        elbows_90=elbows_90, elbows_45=elbows_45, elbow_radius=elbow_radius, edition=edition
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunLength:
    """Whether runs are longer than allowed; arrays of one shape.

    ``equivalent`` and ``limit`` in metres; ``by_maker`` where the maker's limit was used;
    ``known`` where length and elbows are known; ``over`` (false where unknown); ``excess`` metres
    over the limit (negative: spare; NaN: unknown). ``caution`` belongs beside every flag.
    """

    equivalent: FloatArray
    limit: FloatArray
    by_maker: NDArray[np.bool_]
    known: NDArray[np.bool_]
    over: NDArray[np.bool_]
    excess: FloatArray
    edition: str
    caution: str = CAUTION

    def __post_init__(self) -> None:
        freeze(self)


# Rounding of feet and inches to metres must not make a run of exactly the limit "over".
LENGTH_TOLERANCE = 1e-6


def over_limit(
    equivalent: ArrayLike, *, maker_limit: ArrayLike | None = None, edition: str = "2021"
) -> RunLength:
    """Is the exhaust run longer than the maker or the code allows?

    Parameters
    ----------
    equivalent : metres, from ``equivalent_length``.
    maker_limit : metres; where given it governs, blank or NaN falls back to the code.
    edition : of the residential code.

    Returns
    -------
    RunLength, with the caution that must stand beside it.

    Examples
    --------
    >>> run = over_limit(36.5 * 0.3048)
    >>> bool(run.over), float((run.excess / 0.3048).round(6))
    (True, 1.5)
    """
    base = BASE_LENGTH[_edition(edition)]
    length = _at_least_zero(equivalent, "equivalent")
    maker = _at_least_zero(np.nan if maker_limit is None else maker_limit, "maker_limit")
    length, maker = np.broadcast_arrays(length, maker)
    by_maker = ~np.isnan(maker)
    limit = np.where(by_maker, maker, base)
    excess = length - limit
    return RunLength(
        equivalent=length,
        limit=limit,
        by_maker=by_maker,
        known=~np.isnan(length),
        over=excess > LENGTH_TOLERANCE,
        excess=excess,
        edition=edition,
    )


def colebrook_friction(reynolds: ArrayLike, *, relative_roughness: ArrayLike) -> FloatArray:
    """Darcy friction factor of a round duct; 64/Re below Re 2300 (laminar).

    Parameters
    ----------
    reynolds : Reynolds number. relative_roughness : roughness over diameter.

    Returns
    -------
    Friction factor, broadcast shape; NaN where there is no flow.

    Notes
    -----
    Colebrook's equation solved by Newton steps on 1/sqrt(f). Between Re 2300 and about 4000 no
    formula is reliable; dryer exhaust runs at 20,000 and more.

    References
    ----------
    Colebrook (1939) Journal of the Institution of Civil Engineers 11:133.

    Examples
    --------
    >>> float(colebrook_friction(1e5, relative_roughness=0.0009).round(5))
    0.02183
    """
    re, rough = np.broadcast_arrays(
        np.asarray(reynolds, dtype=np.float64), np.asarray(relative_roughness, dtype=np.float64)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        x = -2 * np.log10(rough / 3.7 + 5.74 / np.where(re > 0, re, np.nan) ** 0.9)
        for _ in range(20):
            inside = rough / 3.7 + 2.51 * x / re
            slope = 1 + 2 / np.log(10) * (2.51 / re) / inside
            x = x - (x + 2 * np.log10(inside)) / slope
        return np.where(re < LAMINAR, 64 / np.where(re > 0, re, np.nan), 1 / x**2)


def pressure_drop(
    length: ArrayLike,
    *,
    flow: ArrayLike,
    diameter: ArrayLike = DUCT_DIAMETER,
    roughness: float = ROUGHNESS,
) -> FloatArray:
    """Pressure the fan loses to friction in a straight round run, in pascals.

    Parameters
    ----------
    length : metres. flow : cubic metres per second. diameter : metres, default 4 in.
    roughness : metres, default 0.0003 ft.

    Returns
    -------
    Pascals (249.089 Pa is 1 inch of water), broadcast shape.

    References
    ----------
    Darcy-Weisbach with Colebrook friction; air at 20 degrees C.

    Examples
    --------
    >>> float((pressure_drop(30.48, flow=150 * 0.3048**3 / 60) / 249.089).round(2))
    1.28
    """
    run, air, bore = np.broadcast_arrays(
        _at_least_zero(length, "length"),
        _at_least_zero(flow, "flow"),
        np.asarray(diameter, dtype=np.float64),
    )
    if (bore <= 0).any():
        raise InputError("diameter must be above 0.")
    speed = air / (np.pi * bore**2 / 4)
    reynolds = AIR_DENSITY * speed * bore / AIR_VISCOSITY
    friction = colebrook_friction(reynolds, relative_roughness=roughness / bore)
    drop = friction * run / bore * AIR_DENSITY * speed**2 / 2
    return np.where(air == 0, np.where(np.isnan(run), np.nan, 0.0), drop)
