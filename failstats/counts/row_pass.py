"""One pass over rows, by unit: what cannot be reduced to counts by age.

Arrays for the models of selected records: what a unit's parts were doing when it was last heard
of, and the stretches between two looks at a part that may fail unseen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = [
    "HiddenRows",
    "LossRows",
    "hidden_arrays",
    "hidden_rows",
    "hidden_stretches",
    "loss_rows",
    "watched_from_installation",
]


def _column(values: object, name: str, dtype: type, size: int | None = None) -> np.ndarray:
    held: np.ndarray = np.array(values, dtype=dtype)
    if held.ndim != 1 or (size is not None and held.size != size):
        raise InputError(f"{name} must be one column of {size} values, but has {held.shape}.")
    if dtype is float and not np.isfinite(held).all():
        raise InputError(f"{name} must be finite.")
    held.flags.writeable = False
    return held


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LossLives:
    """The counted lives of ``LossRows`` one by one, with what goes together.

    cluster, law, entry, exit, failed : shape (k,), of each life. unit_cluster, unit_other : shape
    (n,), of each unit its cluster and its other contacts. Clusters (units, or buildings) are
    numbered 0, 1, ...; contract lives have theirs too.
    """

    cluster: np.ndarray
    law: np.ndarray
    entry: np.ndarray
    exit: np.ndarray
    failed: np.ndarray
    unit_cluster: np.ndarray
    unit_other: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LossRows:
    """What the records say of units that leave without a word.

    Parameters
    ----------
    laws : names of the laws of life, m of them.
    counted : for each law its lives counted by part age, each followed to its end or to the
        unit's last contact, whichever is earlier; one cause.
    watched_from, last_contact, ends : shape (n,), unit age in days at the first visit, at the
        last contact, and at the end of the records; the last two are equal where it is known.
    outcome : shape (n,), 0 gone silent or quiet (to be found out), 1 said it left at
        ``last_contact``, 2 followed otherwise from ``last_contact`` on.
    tail_unit : shape (r,), which unit each life still running at its last contact is in.
    tail_law : shape (r,), its law.
    tail_born : shape (r,), unit age at which the law's clock stood at 0.
    other_contacts, other_days : contacts without a failed part between ``watched_from`` (not
        counted) and ``last_contact`` (counted), and the days of all units over which they came.
    no_installation : units left out because their age is unknown.
    lives : the counted lives one by one, for intervals clustered by unit; none where not asked.
    """

    laws: tuple[str, ...]
    counted: Mapping[str, RiskTable]
    watched_from: np.ndarray
    last_contact: np.ndarray
    ends: np.ndarray
    outcome: np.ndarray
    tail_unit: np.ndarray
    tail_law: np.ndarray
    tail_born: np.ndarray
    other_contacts: int = 0
    other_days: float = 0.0
    no_installation: int = 0
    lives: LossLives | None = None

    def __post_init__(self) -> None:
        set_ = object.__setattr__
        n = np.asarray(self.watched_from).size
        for name in ("watched_from", "last_contact", "ends"):
            set_(self, name, _column(getattr(self, name), name, float, n))
        set_(self, "outcome", _column(self.outcome, "outcome", np.int64, n))
        r = np.asarray(self.tail_unit).size
        set_(self, "tail_unit", _column(self.tail_unit, "tail_unit", np.int64, r))
        set_(self, "tail_law", _column(self.tail_law, "tail_law", np.int64, r))
        set_(self, "tail_born", _column(self.tail_born, "tail_born", float, r))
        wrong = (self.watched_from > self.last_contact) | (self.last_contact > self.ends)
        if wrong.any() or (self.watched_from < 0).any():
            raise InputError(
                "a unit's ages must run from the first visit to the last contact to the end of "
                f"the records, but in {int(wrong.sum())} units they do not.",
                rows=np.flatnonzero(wrong).tolist(),
            )
        if r and not (self.tail_unit.min() >= 0 and self.tail_unit.max() < n):
            raise InputError("tail_unit must name a unit of these rows.")
        if r and (self.tail_born > self.last_contact[self.tail_unit]).any():
            raise InputError("a part running at the last contact must be born by then.")
        if set(self.laws) != set(self.counted):
            raise InputError("counted must hold one table for each law.")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HiddenRows:
    """Stretches of a pair of parts between two looks, for a partner that may fail unseen.

    One *life* is a partner (B) from a day on which it is known to work (its birth) to its
    replacement, discovery, or the end of watching; its *stretches* are cut at every failure or
    replacement of the other part (A) and at every test of B.

    Parameters
    ----------
    life : shape (r,), life of each stretch, numbered 0, 1, ..., stretches in order of time.
    b_from, b_to : shape (r,), B's age in days at the stretch's ends.
    a_from : shape (r,), A's age where the stretch begins.
    a_failed : shape (r,), whether A failed at the stretch's end.
    hot_passed, cold_passed : shape (r,), tests that B passed at the stretch's end.
    found : shape (r,), how B was found failed silently at the end: 0 not, 1 by a hot test,
        2 otherwise.
    visible : shape (r,), whether B failed visibly at the end.
    untested : shape (r,), whether somebody judged B at the end without a stated test.
    unit : shape (n,), unit of each life.
    cluster : shape (n,), building of each life, or its unit; the unit when absent.
    weight : shape (n,), how many lives each stands for; -1 takes out what a life is conditioned on.
    covariates : shape (r, p), what is known of the unit during each stretch (use, family, vent).
    """

    life: np.ndarray
    b_from: np.ndarray
    b_to: np.ndarray
    a_from: np.ndarray
    a_failed: np.ndarray
    hot_passed: np.ndarray
    cold_passed: np.ndarray
    found: np.ndarray
    visible: np.ndarray
    untested: np.ndarray
    unit: np.ndarray
    weight: np.ndarray
    cluster: np.ndarray | None = None
    covariates: np.ndarray | None = None

    def __post_init__(self) -> None:
        set_ = object.__setattr__
        r = np.asarray(self.life).size
        if self.covariates is not None:
            x = np.array(self.covariates, dtype=float)
            if x.ndim != 2 or len(x) != r or not np.isfinite(x).all():
                raise InputError(
                    f"covariates must be finite, one row per stretch, but have shape {x.shape}."
                )
            x.flags.writeable = False
            set_(self, "covariates", x)
        set_(self, "life", _column(self.life, "life", np.int64, r))
        for name in ("b_from", "b_to", "a_from"):
            set_(self, name, _column(getattr(self, name), name, float, r))
        for name in ("a_failed", "visible", "untested"):
            set_(self, name, _column(getattr(self, name), name, bool, r))
        for name in ("hot_passed", "cold_passed", "found"):
            set_(self, name, _column(getattr(self, name), name, np.int64, r))
        n = np.asarray(self.unit).size
        set_(self, "unit", _column(self.unit, "unit", np.int64, n))
        set_(self, "weight", _column(self.weight, "weight", float, n))
        if self.cluster is not None:
            set_(self, "cluster", _column(self.cluster, "cluster", np.int64, n))
        if r:
            step = np.diff(self.life)
            if self.life[0] != 0 or self.life[-1] != n - 1 or ((step != 0) & (step != 1)).any():
                raise InputError("stretches must be sorted by life, numbered from 0 without gaps.")
            broken = (step == 0) & (np.abs(self.b_from[1:] - self.b_to[:-1]) > 1e-9)
            if broken.any() or (self.b_to < self.b_from).any() or (self.b_from < 0).any():
                raise InputError(
                    "each stretch must begin where the one before it ended.",
                    rows=np.flatnonzero(broken).tolist(),
                )
            ended = (self.found[:-1] > 0) | self.visible[:-1]
            if (ended & (step == 0)).any():
                raise InputError("a life must end where its part is found failed.")

    @property
    def cluster_code(self) -> np.ndarray:
        """Shape (n,): the cluster of each life, numbered 0, 1, ..."""
        held = self.unit if self.cluster is None else self.cluster
        return np.unique(held, return_inverse=True)[1]

    @property
    def lives(self) -> int:
        """How many rows of lives."""
        return int(self.unit.size)


#: Trips of a part are one more reason to call; below this many they are left out of the silence.
FEWEST_TRIPS = 5


def loss_rows(
    session: Session, *, births: Sequence[str] = ("known",), clustered: bool = False
) -> LossRows:
    """What the warehouse says of silent leaving, over all parts at once.

    Parameters
    ----------
    births : which births count for the law of a part: known, or known and assumed.
    clustered : keep lives apart by building, or unit, for intervals clustered so.
    """
    units = session.run("lives_loss")
    aged = units["watched_from_days"].notna() & (units["watched_from_days"] >= 0)
    unknown = int((~aged).sum())
    units = units[aged].reset_index(drop=True)
    number = {key: i for i, key in enumerate(zip(units["unit_id"], units["span"], strict=True))}
    frame = session.run("lives_loss_lives", births=list(births), clustered=clustered)
    laws: list[str] = []
    counted: dict[str, RiskTable] = {}
    tails: list[tuple[np.ndarray, int, np.ndarray]] = []
    cells: list[pd.DataFrame] = []
    for (part, law), rows in frame.groupby(["part", "law"], sort=True):
        tail = rows[rows["kind"] == "tail"]
        tail = tail.loc[tail.index.repeat(tail["number"])]
        keys = zip(tail["unit_id"], tail["span"].astype(int), strict=True)
        who = np.array([number.get(key, -1) for key in keys], dtype=np.int64)
        born = tail["age"].to_numpy(float)[who >= 0]
        for cause, word in (("failed", ""), ("tripped", " trips")):
            table = _one_cause(rows[rows["kind"] != "tail"], cause)
            if table is None or (cause == "tripped" and table.failures < FEWEST_TRIPS):
                continue
            name = f"{part}{word}{' before' if law == 'before' else ''}"
            tails.append((who[who >= 0], len(laws), born))
            mine = rows[rows["kind"] != "tail"]
            cells.append(mine.assign(law=len(laws), failed=mine["kind"] == cause))
            laws.append(name)
            counted[name] = table

    days = (units["last_contact_days"] - units["watched_from_days"]).sum()

    return LossRows(
        laws=tuple(laws),
        counted=counted,
        watched_from=units["watched_from_days"].to_numpy(float),
        last_contact=units["last_contact_days"].to_numpy(float),
        ends=units["ends_days"].to_numpy(float),
        outcome=units["outcome"].to_numpy(np.int64),
        tail_unit=np.concatenate([who for who, _, _ in tails]) if tails else np.zeros(0),
        tail_law=np.concatenate([np.full(who.size, at) for who, at, _ in tails])
        if tails
        else np.zeros(0),
        tail_born=np.concatenate([born for _, _, born in tails]) if tails else np.zeros(0),
        other_contacts=int(units["other_contacts"].sum()),
        other_days=float(days),
        no_installation=unknown,
        lives=_loss_lives(units, cells) if clustered and cells else None,
    )


def _loss_lives(units: pd.DataFrame, cells: list[pd.DataFrame]) -> LossLives:
    """Cells by cluster as lives: what entered and what ended add up, each for itself."""
    frame = pd.concat(cells, ignore_index=True)
    frame = frame.loc[frame.index.repeat(frame["number"])]
    both = pd.concat([frame["cluster_id"], units["cluster_id"]])
    code, _ = pd.factorize(both)
    entered = (frame["kind"] == "entered").to_numpy()
    age = frame["age"].to_numpy(float)
    return LossLives(
        cluster=code[: len(frame)],
        law=frame["law"].to_numpy(np.int64),
        entry=np.where(entered, age, 0.0),
        exit=np.where(entered, 0.0, age),
        failed=frame["failed"].to_numpy(bool),
        unit_cluster=code[len(frame) :],
        unit_other=units["other_contacts"].to_numpy(float),
    )


def _one_cause(rows: pd.DataFrame, cause: str) -> RiskTable | None:
    """Cells of one law as a risk table of one cause."""
    if not (rows["kind"] == "entered").any():
        return None
    wide = rows.pivot_table(
        index="age", columns="kind", values="number", aggfunc="sum", fill_value=0
    )
    empty = np.zeros(len(wide), dtype=np.int64)
    columns = {kind: wide[kind].to_numpy(np.int64) if kind in wide else empty for kind in
               ("entered", "failed", "tripped", "left")}  # fmt: skip
    other = "tripped" if cause == "failed" else "failed"
    return RiskTable(
        wide.index.to_numpy(np.int64), columns["entered"], {"failed": columns[cause]},
        columns["left"] + columns[other],
    )  # fmt: skip


def hidden_rows(
    session: Session,
    first: str,
    second: str,
    *,
    births: Sequence[str] = ("known",),
    followed: Sequence[str] = ("contract",),
    bracket: str = "stated_end",
    from_installation: bool = False,
) -> HiddenRows:
    """Stretches between two looks at a part that may fail unseen, and its partner's age.

    Parameters
    ----------
    first, second : the partner that suffers (A) and the part that fails unseen (B).
    births, followed, bracket : which lives, as in `lives`. Call-out units leave unseen, so the
        default rests on contract units.
    from_installation : only units watched from installation, all their lives: for a frailty.
    """
    frame = hidden_stretches(
        session, first, second, births=births, followed=followed, bracket=bracket
    )
    return hidden_arrays(watched_from_installation(frame) if from_installation else frame)


def hidden_stretches(
    session: Session,
    first: str,
    second: str,
    *,
    births: Sequence[str] = ("known",),
    followed: Sequence[str] = ("contract",),
    bracket: str = "stated_end",
) -> pd.DataFrame:
    """The stretches of `hidden_rows` as the query gives them, with unit and days."""
    frame = session.run(
        "lives_hidden",
        first=first,
        second=second,
        births=list(births),
        followed=list(followed),
        bracket=bracket,
    )
    # the query numbers lives within the units it sees
    number = frame.groupby(["unit_id", "life"]).ngroup().astype("int64")
    return frame.assign(life=number + 1)


def watched_from_installation(frame: pd.DataFrame) -> pd.DataFrame:
    """Those of `hidden_stretches` in units of which all lives are known."""
    fitted = frame["first_fitted"] & (frame["b_from"] == 0)
    return frame[frame["unit_id"].isin(frame.loc[fitted, "unit_id"])]


def hidden_arrays(frame: pd.DataFrame, covariates: Sequence[str] = ()) -> HiddenRows:
    """Rows of `hidden_stretches` as arrays, one life each.

    Parameters
    ----------
    covariates : columns of the frame to go along.

    Notes
    -----

    A life watched from an age above 0 (assumed birth) may have turned bad before: it gets a
    stretch from birth in which the partner did not fail, and a row of weight -1 with that stretch
    alone, so that it counts given that the partner lived to the entry. Where the two parts are
    not equally old at entry, something was replaced unseen, and the life is left out.
    """
    frame = frame.assign(
        weight=1.0, a_from=frame["a_from"].astype(float).fillna(-1.0), key=frame["life"] * 2
    )
    first = frame.drop_duplicates("life")
    aged = first[first["b_from"] > 0]
    unequal = aged.loc[aged["a_from"] != aged["b_from"], "life"]
    aged = aged[~aged["life"].isin(unequal)]
    nothing = dict.fromkeys(("hot_passed", "cold_passed", "found"), 0)
    nothing |= dict.fromkeys(("a_failed", "visible", "untested"), False)
    before = aged.assign(b_to=aged["b_from"], b_from=0, a_from=0.0, **nothing)
    given = before.assign(weight=-1.0, key=before["key"] + 1)
    frame = pd.concat([frame[~frame["life"].isin(unequal)], before, given])
    frame = frame.sort_values(["key", "b_from"], kind="stable")
    life, _ = pd.factorize(frame["key"])
    unit, _ = pd.factorize(frame["unit_id"])
    cluster, _ = pd.factorize(frame["cluster_id"])
    begins = np.concatenate([[0], np.flatnonzero(np.diff(life)) + 1]) if life.size else life
    flags = {name: frame[name].to_numpy(bool) for name in ("a_failed", "visible", "untested")}
    counts = {
        name: frame[name].to_numpy(np.int64) for name in ("hot_passed", "cold_passed", "found")
    }
    ages = {name: frame[name].to_numpy(float) for name in ("b_from", "b_to", "a_from")}
    weight = frame["weight"].to_numpy()[begins]
    x = frame[list(covariates)].to_numpy(float) if covariates else None
    return HiddenRows(
        life=life,
        **ages,
        **flags,
        **counts,
        unit=unit[begins],
        weight=weight,
        cluster=cluster[begins],
        covariates=x,
    )
