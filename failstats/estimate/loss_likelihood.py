"""How well lives and silent leaving agree with what was seen: the likelihood of ``silent_loss``.

Internal to ``silent_loss``: counted lives, calls, goodbyes and the silence after the last
contact, with their slopes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.counts.row_pass import LossRows
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.likelihood import CountLikelihood
from failstats.estimate.peak import Surface

__all__ = [
    "GOODBYE",
    "NODES",
    "SHAPE_NEEDS",
    "Layout",
    "Tails",
    "batches_of",
    "loss_surface",
    "with_goodbyes",
]

#: Gauss-Legendre nodes over the time after the last contact: the integrand is smooth, and 16
#: nodes agree with 64 to 1e-6 of the log-likelihood (tested).
NODES = 16
#: Below this many failures a law's shape is not fitted but held at 1 (a constant hazard).
SHAPE_NEEDS = 10
#: The law of units that say they leave: one more kind of contact, by unit age.
GOODBYE = "goodbye"
#: Units handled at once, so that memory stays below about 200 MB.
BATCH = 50_000


class Layout:
    """Where each law's parameters stand in theta."""

    def __init__(self, rows: LossRows, loss_shape_fixed: bool) -> None:
        self.laws = tuple(law for law in rows.laws if rows.counted[law].failures > 0)
        self.failures = {law: float(rows.counted[law].failures) for law in self.laws}
        self.fixed = frozenset(
            {law for law in self.laws if self.failures[law] < SHAPE_NEEDS}
            | ({"loss"} if loss_shape_fixed else set())
        )
        self.names: list[str] = []
        self.shape_at: dict[str, int | None] = {}
        self.scale_at: dict[str, int] = {}
        for law in (*self.laws, "loss"):
            self.shape_at[law] = None
            if law not in self.fixed:
                self.shape_at[law] = len(self.names)
                self.names.append(f"{law} shape")
            self.scale_at[law] = len(self.names)
            self.names.append(f"{law} scale")
        self.other: int | None = None
        if rows.other_contacts > 0:
            self.other = len(self.names)
            self.names.append("other contacts rate")

    def pair(self, theta: np.ndarray, law: str) -> np.ndarray:
        at = self.shape_at[law]
        return np.array([0.0 if at is None else theta[at], theta[self.scale_at[law]]])

    def add(self, slope: np.ndarray, law: str, pair: np.ndarray) -> None:
        at = self.shape_at[law]
        if at is not None:
            slope[at] += pair[0]
        slope[self.scale_at[law]] += pair[1]


def _hazard_sum(pair: np.ndarray, log_age: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weibull cumulative hazard H and log H at exp(log_age)."""
    log_sum = np.exp(pair[0]) * (log_age - pair[1])
    return np.exp(log_sum), log_sum


def _log(age: np.ndarray) -> np.ndarray:
    return np.log(np.maximum(age, 1e-9))


class Tails:
    """The silent units' time after last contact, at its integration nodes."""

    def __init__(self, rows: LossRows, layout: Layout, nodes: int) -> None:
        silent = (rows.outcome == 0) & (rows.ends > rows.last_contact)
        self.unit = np.flatnonzero(silent)
        place = np.full(rows.outcome.size, -1)
        place[self.unit] = np.arange(self.unit.size)
        known = np.array([law in layout.laws for law in rows.laws], dtype=bool)
        used = (place[rows.tail_unit] >= 0) & known[rows.tail_law]
        at, weight = np.polynomial.legendre.leggauss(nodes)
        x = (at + 1) / 2  # nodes gather at the last contact: a new part's hazard bends there
        share = np.concatenate([x**2, [1.0]])  # the last node is the end of the records
        self.weight = weight * x
        self.begins = rows.last_contact[self.unit]
        self.length = rows.ends[self.unit] - self.begins
        self.age = self.begins[:, None] + self.length[:, None] * share  # (s, q + 1)
        self.log_age, self.log_begin = _log(self.age), _log(self.begins)
        self.by_law: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
        for number, law in enumerate(rows.laws):
            mine = used & (rows.tail_law == number)
            if not mine.any():
                continue
            where = place[rows.tail_unit[mine]]
            born = rows.tail_born[mine]
            order = np.argsort(where, kind="stable")
            where, born = where[order], born[order]
            self.by_law[law] = (
                where,
                _log(self.age[where] - born[:, None]),
                _log(self.begins[where] - born),
            )

    def add(self, theta: np.ndarray, layout: Layout, slope: np.ndarray) -> tuple[float, np.ndarray]:
        """Log-likelihood of the silence, its slope added; and each unit's chance to be gone."""
        value, share, pulls = self._pulls(theta, layout)
        for law, _, by_shape, by_scale in pulls:
            layout.add(slope, law, np.array([by_shape.sum(), by_scale.sum()]))
        if layout.other is not None:
            slope[layout.other] -= float(self._other(theta, layout, share).sum())
        return value, 1 - share[:, -1]

    def by_unit(
        self, theta: np.ndarray, layout: Layout, cluster: np.ndarray, scores: np.ndarray
    ) -> None:
        """The same slope added to ``scores``, at the ``cluster`` of each silent unit."""
        _, share, pulls = self._pulls(theta, layout)
        for law, where, by_shape, by_scale in pulls:
            at = layout.shape_at[law]
            places = cluster[where]
            if at is not None:
                np.add.at(scores[:, at], places, by_shape)
            np.add.at(scores[:, layout.scale_at[law]], places, by_scale)
        if layout.other is not None:
            np.add.at(scores[:, layout.other], cluster, -self._other(theta, layout, share))

    def _other(self, theta: np.ndarray, layout: Layout, share: np.ndarray) -> np.ndarray:
        assert layout.other is not None
        gap = self.age - self.begins[:, None]
        return np.exp(theta[layout.other]) * np.einsum("ij,ij->i", share, gap)

    def _pulls(
        self, theta: np.ndarray, layout: Layout
    ) -> tuple[float, np.ndarray, list[tuple[str, np.ndarray, np.ndarray, np.ndarray]]]:
        """Log-likelihood; chance of each node by unit; (law, unit, slope in shape and scale)."""
        quiet = np.zeros(self.age.shape)  # cumulative hazard of any contact since the last
        held = []
        for law, (where, log_age, log_begin) in self.by_law.items():
            pair = layout.pair(theta, law)
            now, log_now = _hazard_sum(pair, log_age)
            then, log_then = _hazard_sum(pair, log_begin)
            np.add.at(quiet, where, now - then[:, None])
            held.append((law, where, now, log_now, then, log_then))
        if layout.other is not None:
            quiet += np.exp(theta[layout.other]) * (self.age - self.begins[:, None])
        pair = layout.pair(theta, "loss")
        lost, log_lost = _hazard_sum(pair, self.log_age)
        before, log_before = _hazard_sum(pair, self.log_begin)
        shape = np.exp(pair[0])
        log_stay = -(lost - before[:, None])
        log_rate = pair[0] + log_lost - self.log_age  # log of the loss hazard
        term = log_stay - quiet
        term[:, :-1] += log_rate[:, :-1] + np.log(self.weight) + np.log(self.length)[:, None]
        top = term.max(axis=1)
        share = np.exp(term - top[:, None])
        total = share.sum(axis=1)
        share /= total[:, None]
        value = float((top + np.log(total)).sum())
        d_shape = -(lost * log_lost - (before * log_before)[:, None])
        d_scale = shape * (lost - before[:, None])
        d_shape[:, :-1] += 1 + log_lost[:, :-1]
        d_scale[:, :-1] -= shape
        pulls = [
            (
                "loss",
                np.arange(self.unit.size),
                np.einsum("ij,ij->i", share, d_shape),
                np.einsum("ij,ij->i", share, d_scale),
            )
        ]
        for law, where, now, log_now, then, log_then in held:
            k = np.exp(layout.pair(theta, law)[0])
            weight = share[where]
            by_shape = then * log_then - np.einsum("ij,ij,ij->i", weight, now, log_now)
            by_scale = k * (np.einsum("ij,ij->i", weight, now) - then)
            pulls.append((law, where, by_shape, by_scale))
        return value, share, pulls


def _loss_events(rows: LossRows, layout: Layout, theta: np.ndarray, slope: np.ndarray) -> float:
    """Units had not gone silent from the first visit to the last contact."""
    pair = layout.pair(theta, "loss")
    shape = np.exp(pair[0])
    end, log_end = _hazard_sum(pair, _log(rows.last_contact))
    begin, log_begin = _hazard_sum(pair, _log(rows.watched_from))
    value = float((begin - end).sum())
    by_shape = float((begin * log_begin - end * log_end).sum())
    by_scale = float(shape * (end - begin).sum())
    layout.add(slope, "loss", np.array([by_shape, by_scale]))
    return value


def loss_surface(
    rows: LossRows, *, nodes: int = NODES, loss_shape_fixed: bool = False
) -> tuple[Surface, Layout]:
    """The joint log-likelihood with its slope, as a function of the log parameters."""
    rows = with_goodbyes(rows)
    layout = Layout(rows, loss_shape_fixed)
    weibull = FAMILIES["weibull"]
    counts = {
        law: CountLikelihood.of(rows.counted[law].merge_causes(), weibull) for law in layout.laws
    }
    batches = [Tails(part, layout, nodes) for part in batches_of(rows)]

    def surface(theta: np.ndarray) -> tuple[float, np.ndarray]:
        slope = np.zeros(theta.size)
        value = 0.0
        for law, likelihood in counts.items():
            height, gradient, _ = likelihood(layout.pair(theta, law))
            value += height
            layout.add(slope, law, gradient)
        if layout.other is not None:
            rate = np.exp(theta[layout.other])
            value += rows.other_contacts * theta[layout.other] - rate * rows.other_days
            slope[layout.other] += rows.other_contacts - rate * rows.other_days
        value += _loss_events(rows, layout, theta, slope)
        for tails in batches:
            value += tails.add(theta, layout, slope)[0]
        return value, slope

    return surface, layout


def with_goodbyes(rows: LossRows) -> LossRows:
    """The rows with leaving that is told as one more law, in unit age."""
    told = rows.outcome == 1
    if not told.any() or GOODBYE in rows.laws:
        return rows
    silent = np.flatnonzero(rows.outcome == 0)
    table = RiskTable.from_lives(rows.watched_from, rows.last_contact, told)
    return replace(
        rows,
        laws=(*rows.laws, GOODBYE),
        counted={**rows.counted, GOODBYE: table},
        tail_unit=np.concatenate([rows.tail_unit, silent]),
        tail_law=np.concatenate([rows.tail_law, np.full(silent.size, len(rows.laws))]),
        tail_born=np.concatenate([rows.tail_born, np.zeros(silent.size)]),
    )


def batches_of(rows: LossRows) -> list[LossRows]:
    """The rows a few units at a time."""
    n = rows.outcome.size
    if n <= BATCH:
        return [rows]
    order = np.argsort(rows.tail_unit, kind="stable")
    cuts = np.arange(0, n + BATCH, BATCH)
    edges = np.searchsorted(rows.tail_unit[order], cuts)
    parts = []
    for i in range(cuts.size - 1):
        units = slice(cuts[i], min(cuts[i + 1], n))
        tail = order[edges[i] : edges[i + 1]]
        parts.append(
            LossRows(
                laws=rows.laws,
                counted=rows.counted,
                watched_from=rows.watched_from[units],
                last_contact=rows.last_contact[units],
                ends=rows.ends[units],
                outcome=rows.outcome[units],
                tail_unit=rows.tail_unit[tail] - cuts[i],
                tail_law=rows.tail_law[tail],
                tail_born=rows.tail_born[tail],
            )
        )
    return parts
