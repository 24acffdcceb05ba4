"""Hazard models against published values; every number stands beside its source.

"computed" values are R 4.2.2 with survival 3.5-3 run to convergence (SOURCE.md).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from failstats.counts.pattern_table import PatternTable
from failstats.estimate.hazard_model import (
    Design,
    baseline_hazard,
    cluster_robust,
    cox,
    martingale_residuals,
    proportional_hazards_test,
    score_residuals,
)
from failstats.estimate.poisson_model import piecewise_exponential

DATA = Path(__file__).parent / "data"
# Both sides converged: what is left is rounding of sums over a few hundred rows.
CONVERGED = 1e-10
# R's own stopping rule leaves its printed coefficients about this far from the maximum.
R_STOPS = 1e-7
# Closed forms.
EXACT = 1e-12


def read(name):
    return pd.read_csv(DATA / name)


def fit(covariates, stop, failed, *, start=None, stratum=None, **options):
    """Fit from rows: distinct covariate rows become patterns."""
    x = np.asarray(covariates, float)
    x = x[:, None] if x.ndim == 1 else x
    values, pattern = np.unique(x, axis=0, return_inverse=True)
    rows = {
        "start": np.zeros(len(x), int) if start is None else np.asarray(start),
        "stop": np.asarray(stop),
        "failed": np.asarray(failed),
        "pattern": pattern.reshape(-1),
        "stratum": stratum,
    }
    table = PatternTable.from_episodes(**rows)
    names = [f"x{k}" for k in range(x.shape[1])]
    return cox(table, design=Design(values=values, names=names), **options), table, rows


def printed(value, text):
    """The value rounds to the printed text."""
    digits = len(text.partition(".")[2])
    assert f"{value:.{digits}f}" == text


# Freireich trial. Printed: from memory of Cox (1972), Venables and Ripley MASS4 s. 13.3.
@pytest.mark.parametrize(
    ("ties", "beta", "error", "computed", "computed_error"),
    [
        ("breslow", "1.5092", "0.4096", 1.50919141258588, 0.409564406366741),
        ("efron", "1.5721", "0.4124", 1.57212514882907, 0.412396717709455),
    ],
)
def test_x1_ties(ties, beta, error, computed, computed_error):
    trial = read("MASS_gehan.csv")
    got, _, _ = fit(trial.treat == "control", trial.time, trial.cens, ties=ties)
    printed(got.coefficients[0], beta)
    printed(got.standard_errors[0], error)
    assert got.coefficients[0] == pytest.approx(computed, rel=R_STOPS)
    assert got.standard_errors[0] == pytest.approx(computed_error, rel=R_STOPS)


class TestX2ByHand:
    """Six rows worked by hand: Therneau and Grambsch (2000) appendix E; R survival vignette
    "validate", test data 1 (values seen there)."""

    rows = read("typed_validation1.csv")

    def at(self, **options):
        return fit(self.rows.x, self.rows.time, self.rows.status, **options)

    def test_breslow_coefficient_is_closed_form(self):
        got = self.at(ties="breslow")[0]
        assert got.coefficients[0] == pytest.approx(np.log((3 + np.sqrt(33)) / 2), rel=EXACT)
        printed(got.coefficients[0], "1.475285")

    def test_efron(self):
        got = self.at(ties="efron")[0]
        printed(got.coefficients[0], "1.676857")
        assert got.coefficients[0] == pytest.approx(1.6768574855929, rel=CONVERGED)
        printed(got.log_likelihood_null, "-4.276666")
        # The vignette prints -3.358979; the closed form is -3.3589748.
        assert got.log_likelihood == pytest.approx(-3.35897484026335, rel=EXACT)

    @pytest.mark.parametrize(
        ("ties", "row", "score"),
        [("breslow", 0, 5 / 12), ("efron", 0, 5 / 12), ("efron", 2, 55 / 144)],
    )
    def test_score_residuals_at_zero(self, ties, row, score):
        got, _, rows = self.at(ties=ties, coefficients=[0.0])
        assert score_residuals(got, **rows)[row, 0] == pytest.approx(score, rel=EXACT)

    def test_martingale_residual_at_zero(self):
        got, _, rows = self.at(ties="efron", coefficients=[0.0])
        assert martingale_residuals(got, **rows)[2] == pytest.approx(5 / 12, rel=EXACT)

    @pytest.mark.parametrize(
        ("ties", "variances"),
        [
            ("breslow", [7 / 180, 2 / 9]),
            # The vignette prints 1996/6225 for the second, with a slip (4/25 for 1/9 in it).
            ("efron", [119 / 2988, 0.271753681392236]),
        ],
    )
    def test_variance_of_cumulative_hazard_at_zero(self, ties, variances):
        got = self.at(ties=ties, coefficients=[0.0])[0]
        assert baseline_hazard(got).variance[:2] == pytest.approx(variances, rel=EXACT)


# Printed from memory (R help pages; Allison 1995, Fox appendix; Klein and Moeschberger ex. 8.2);
# the check rests on the computed values.
class TestX4FixedCovariates:
    def test_lung(self):
        rows = read("survival_lung.csv").dropna(subset=["ph.ecog"])
        got, _, _ = fit(rows[["age", "sex", "ph.ecog"]], rows.time, rows.status - 1)
        printed(got.coefficients[1], "-0.5526")
        printed(got.coefficients[2], "0.4637")
        want = [0.0110667645600735, -0.552612395703631, 0.463728475370428]
        assert got.coefficients == pytest.approx(want, rel=R_STOPS)

    def test_rossi(self):
        rows = read("lifelines_rossi.csv")
        names = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
        got, _, _ = fit(rows[names], rows.week, rows.arrest)
        for place, text in ((0, "-0.3794"), (1, "-0.0574"), (6, "0.0915")):
            printed(got.coefficients[place], text)
        want = [-0.379422166485887, -0.0574377426840623, 0.091497080985296]
        assert got.coefficients[[0, 1, 6]] == pytest.approx(want, rel=R_STOPS)
        printed(got.likelihood_ratio, "33.27")
        assert got.likelihood_ratio == pytest.approx(33.2659458015687, rel=CONVERGED)

    def test_larynx(self):
        rows = read("KMsurv_larynx.csv")
        x = np.column_stack([rows.stage == 2, rows.stage == 3, rows.stage == 4, rows.age])
        got, _, _ = fit(x, (rows.time * 10).round(), rows.delta, ties="breslow")
        for value, text in zip(
            got.coefficients, ("0.1386", "0.6383", "1.6931", "0.0189"), strict=True
        ):
            printed(value, text)
        want = [0.138563897519453, 0.638349730515635, 1.69305643631439, 0.0189018391978913]
        assert got.coefficients == pytest.approx(want, rel=CONVERGED)
        printed(got.log_likelihood, "-188.179")


# Stanford heart transplants, six models: Kalbfleisch and Prentice (1980) p. 139; printed values
# seen in R survival, tests/jasa.Rout.save.
class TestX5TimeDependent:
    rows = read("survival_jasa1.csv")

    def model(self, *columns):
        r = self.rows
        known = {"age": r.age, "surgery": r.surgery, "year": r.year, "tx": r.transplant}
        x = np.column_stack(
            [np.prod([known[part] for part in column.split(":")], axis=0) for column in columns]
        )
        got, _, _ = fit(x, r.stop * 2, r.event, start=r.start * 2, ties="breslow")
        return got, dict(zip(columns, got.coefficients, strict=True))

    def test_model_1(self):
        got, beta = self.model("age", "surgery", "tx", "age:tx", "surgery:tx")
        texts = {
            "age": "0.01386",
            "surgery": "-0.54652",
            "tx": "0.11572",
            "age:tx": "0.03473",
            "surgery:tx": "-0.29037",
        }
        want = [
            0.013856977115528,
            -0.54652291775984,
            0.115722961068149,
            0.0347342364248416,
            -0.290367220730266,
        ]
        for name, text in texts.items():
            printed(beta[name], text)
        assert got.coefficients == pytest.approx(want, rel=CONVERGED)
        printed(got.standard_errors[2], "0.32729")
        assert got.standard_errors[2] == pytest.approx(0.327286644342182, rel=CONVERGED)
        printed(got.likelihood_ratio, "12.45")
        assert got.likelihood_ratio == pytest.approx(12.4474679197011, rel=CONVERGED)

    @pytest.mark.parametrize(
        ("columns", "name", "text", "computed"),
        [
            (("year", "tx", "year:tx"), "year", "-0.2652", -0.265195998258691),
            (("age", "year", "tx", "age:tx", "year:tx"), "tx", "-0.59388", -0.593881787181143),
            (
                ("year", "surgery", "tx", "year:tx", "surgery:tx"),
                "year",
                "-0.2541",
                -0.254139625409113,
            ),
            (
                ("age", "surgery", "tx", "age:tx", "surgery:tx", "year"),
                "year",
                "-0.13631",
                -0.13630509348558,
            ),
            (("age", "tx", "age:tx", "surgery", "year"), "surgery", "-0.62113", -0.621126631478915),
        ],
    )
    def test_models_2_to_6(self, columns, name, text, computed):
        got, beta = self.model(*columns)
        printed(beta[name], text)
        assert beta[name] == pytest.approx(computed, rel=R_STOPS)
        if name == "surgery":
            printed(got.likelihood_ratio, "16.06")
            assert got.likelihood_ratio == pytest.approx(16.055777679074, rel=CONVERGED)


# Veteran lung cancer trial, trt + prior + karno. No published digits: computed in R (cox.zph is
# the score test since survival 3.0); the identity form is also an added x*t score test in closed
# form. The 1994 approximation gives 2.769 for it and is there by name.
class TestX8Proportional:
    rows = read("survival_veteran.csv")
    PROPORTIONAL = 1e-8  # R's coefficients stop early; the statistic inherits a little of that

    @pytest.mark.parametrize(
        ("transform", "karno"),
        [
            ("km", 12.1381501082849),
            ("rank", 12.7714185316682),
            ("identity", 4.76378459507003),
            (lambda age: np.log(age + 20), 10.6941161823755),
        ],
    )
    def test_karno(self, transform, karno):
        got, table, _ = fit(self.rows[["trt", "prior", "karno"]], self.rows.time, self.rows.status)
        tested = proportional_hazards_test(got, table, transform=transform)
        assert tested.statistic[2] == pytest.approx(karno, rel=self.PROPORTIONAL)

    def test_karno_by_the_approximation_of_1994(self):
        """Computed in R 4.2.2 (no published digits); lifelines 0.30.3 stops at 2.769477."""
        got, table, _ = fit(self.rows[["trt", "prior", "karno"]], self.rows.time, self.rows.status)
        tested = proportional_hazards_test(
            got, table, transform="identity", method="scaled_schoenfeld"
        )
        assert tested.statistic[2] == pytest.approx(2.76948429940032, rel=1e-6)

    def test_global(self):
        got, table, _ = fit(self.rows[["trt", "prior", "karno"]], self.rows.time, self.rows.status)
        tested = proportional_hazards_test(got, table, transform="km")
        assert tested.global_statistic == pytest.approx(18.0731560289737, rel=self.PROPORTIONAL)
        assert tested.global_degrees == 3

    def split(self, cuts):
        """Episodes cut after each of the ages in ``cuts``."""
        pieces = []
        for low, high in zip([0, *cuts], [*cuts, 10**6], strict=True):
            part = self.rows[self.rows.time > low].copy()
            part["start"] = low
            part["stop"] = part.time.clip(upper=high)
            part["failed"] = part.status * (part.time <= high)
            pieces.append(part)
        return pd.concat(pieces, ignore_index=True)

    def test_karno_within_the_first_ninety_days(self):
        rows = self.split([90, 180])
        x = np.column_stack(
            [rows.trt, rows.prior] + [rows.karno * (rows.start == low) for low in (0, 90, 180)]
        )
        got, _, _ = fit(x, rows.stop, rows.failed, start=rows.start)
        assert got.coefficients[2] == pytest.approx(-0.0487549541212535, rel=R_STOPS)

    def test_karno_that_changes_with_log_age(self):
        rows = self.split(sorted(set(self.rows.time[self.rows.status == 1])))
        x = np.column_stack([rows.trt, rows.prior, rows.karno, rows.karno * np.log(rows.stop + 20)])
        got, _, _ = fit(x, rows.stop, rows.failed, start=rows.start)
        assert got.coefficients[3] == pytest.approx(0.0213095666153478, rel=R_STOPS)


# An identity (Whitehead 1980; Laird and Olivier 1981): with one piece per event day, the
# piecewise-exponential Poisson model is the Breslow Cox model.
class TestX9PoissonIsCox:
    IDENTITY = 1e-9

    @staticmethod
    def fine_cuts(table):
        """Pieces (t - 1, t] around every event age t."""
        ages = np.unique(table.age[table.failed > 0])
        return np.setdiff1d(np.unique(np.concatenate([ages - 1, ages])), [0])

    def test_kidney(self):
        rows = read("survival_kidney.csv")
        got, table, _ = fit(rows[["age", "sex"]], rows.time, rows.status, ties="breslow")
        second = piecewise_exponential(table, design=got.design, cuts=self.fine_cuts(table))
        want = [0.002181516452874, -0.820995314570238]
        assert got.coefficients == pytest.approx(want, rel=self.IDENTITY)
        assert second.coefficients == pytest.approx(want, rel=self.IDENTITY)
        assert second.standard_errors == pytest.approx(got.standard_errors, rel=self.IDENTITY)
        assert second.standard_errors[1] == pytest.approx(0.298719654748536, rel=self.IDENTITY)

    def test_freireich(self):
        trial = read("MASS_gehan.csv")
        got, table, _ = fit(trial.treat == "control", trial.time, trial.cens, ties="breslow")
        second = piecewise_exponential(table, design=got.design, cuts=self.fine_cuts(table))
        printed(second.coefficients[0], "1.5092")  # from memory
        assert second.coefficients[0] == pytest.approx(1.50919141258588, rel=self.IDENTITY)

    def test_kidney_in_three_wide_pieces(self):
        rows = read("survival_kidney.csv")
        got, table, _ = fit(rows[["age", "sex"]], rows.time, rows.status, ties="breslow")
        second = piecewise_exponential(table, design=got.design, cuts=[45, 500])
        # R stopped this fit by its default deviance rule (1e-8), hence the tolerance.
        assert second.coefficients[1] == pytest.approx(-0.751242317818351, rel=1e-6)


def test_f1_marginal_robust_error():
    """Rats, females, Breslow, robust by litter (R survival 3.5-3, computed)."""
    rows = read("survival_rats.csv").query("sex == 'f'")
    got, _, lives = fit(rows.rx, rows.time, rows.status, ties="breslow")
    robust = cluster_robust(got, cluster=rows.litter.to_numpy(), **lives)
    assert robust.standard_errors[0] == pytest.approx(0.300321052972014, rel=CONVERGED)
    assert robust.clusters == 50
