"""Association against published values; every number stands beside its source.

"computed" values are R 4.2.2 or SciPy 1.17.1 (SOURCE.md).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from failstats.estimate.association import (
    benjamini_hochberg,
    conditional_odds_ratio,
    fisher_exact,
    homogeneity,
    mantel_haenszel,
    observed_over_expected,
    odds_ratio,
    stratified_exact,
)
from failstats.estimate.intervals import byar, clopper_pearson, poisson_exact, wilson

DATA = Path(__file__).parent / "data"
EXACT = 1e-12  # closed forms and finite sums
ROOTS = 1e-8  # a root search on the other side
SUMS = 1e-9

TEA = [[3, 1], [1, 3]]  # Agresti (1990); R help(fisher.test)
TWINS = [[2, 15], [10, 3]]  # Fisher (1962); R help(fisher.test)
# R help(mantelhaen.test): c(0,0,6,5, 3,0,3,6, 6,2,0,4, 5,6,1,0, 2,5,0,0), filled by column
RABBITS = (
    np.array([0, 0, 6, 5, 3, 0, 3, 6, 6, 2, 0, 4, 5, 6, 1, 0, 2, 5, 0, 0])
    .reshape(5, 2, 2)
    .transpose(0, 2, 1)
)


def printed(value, text):
    """The value rounds to the printed text."""
    digits = len(text.partition(".")[2])
    assert f"{float(value):.{digits}f}" == text


def admissions():
    frame = pd.read_csv(DATA / "datasets_UCBAdmissions.csv")
    frame = frame.assign(
        row=(frame.Admit == "Rejected").astype(int), column=(frame.Gender == "Female").astype(int)
    )
    cube = np.zeros((6, 2, 2))
    for row in frame.itertuples():
        cube["ABCDEF".index(row.Dept), row.row, row.column] = row.Freq
    return cube


class TestT1Fisher:
    def test_tea(self):
        value = fisher_exact(TEA, alternative="greater")
        printed(value, "0.2429")  # seen in R help(fisher.test)
        assert value == pytest.approx(17 / 70, rel=EXACT)
        # R prints 6.408309 (from memory): its root search is loose; SciPy's is not.
        assert conditional_odds_ratio(TEA).estimate == pytest.approx(6.40831965819968, rel=1e-7)

    def test_twins(self):
        one = fisher_exact(TWINS, alternative="less")
        printed(one, "0.0004652")  # from memory
        assert one == pytest.approx(0.000465180943362905, rel=EXACT)
        both = fisher_exact(TWINS)
        printed(both, "0.0005367")  # from memory
        assert both == pytest.approx(0.000536724119143436, rel=EXACT)

    def test_twins_odds_ratio_at_the_exact_roots(self):
        # R prints 0.04693661 (0.003325764 to 0.363182271), from memory; its roots are loose.
        got = conditional_odds_ratio(TWINS)
        assert got.estimate == pytest.approx(0.04693663904968, rel=1e-7)
        assert got.low == pytest.approx(0.00331716395065736, rel=ROOTS)
        assert got.high == pytest.approx(0.363189602356681, rel=ROOTS)

    def test_limits_are_roots(self):
        """Independent of any library: tail probabilities in exact fractions at our limits."""
        from fractions import Fraction
        from math import comb

        got = conditional_odds_ratio(TWINS)

        def tail(ratio, cells):
            psi = Fraction(float(ratio))
            weight = {k: comb(17, k) * comb(13, 12 - k) * psi**k for k in range(13)}
            return float(sum(weight[k] for k in cells) / sum(weight.values()))

        assert tail(got.low, range(2, 13)) == pytest.approx(0.025, rel=1e-10)
        assert tail(got.high, range(3)) == pytest.approx(0.025, rel=1e-10)
        mean = sum(
            k * comb(17, k) * comb(13, 12 - k) * float(got.estimate) ** k for k in range(13)
        ) / sum(comb(17, k) * comb(13, 12 - k) * float(got.estimate) ** k for k in range(13))
        assert mean == pytest.approx(2.0, rel=1e-10)


class TestT2MantelHaenszel:
    def test_rabbits(self):
        """R help(mantelhaen.test), printed output seen; two strata drop out."""
        got = mantel_haenszel(RABBITS)
        printed(got.statistic, "3.9286")
        assert got.statistic == pytest.approx(3.92857142857143, rel=SUMS)
        printed(got.p_value, "0.04747")
        assert got.p_value == pytest.approx(0.0474722551429182, rel=SUMS)
        assert got.odds_ratio == pytest.approx(7.0, rel=SUMS)
        low, high = got.interval()
        printed(low, "1.026713")
        printed(high, "47.725133")
        assert (low, high) == pytest.approx((1.02671268846167, 47.7251333802226), rel=SUMS)
        assert int(got.strata) == 3

    def test_rabbits_exact(self):
        value = stratified_exact(RABBITS)
        printed(value, "0.040")
        assert value == pytest.approx(0.0399449035812672, rel=SUMS)

    def test_admissions(self):
        """Bickel et al. (1975); R help(mantelhaen.test), printed output seen."""
        cube = admissions()
        got = mantel_haenszel(cube)
        printed(got.statistic, "1.4269")
        printed(got.p_value, "0.2323")
        printed(got.odds_ratio, "0.9046968")
        low, high = got.interval()
        printed(low, "0.7719074")
        printed(high, "1.0603298")
        want = (1.42694622858669, 0.232263462817048, 0.904696828258623)
        assert (got.statistic, got.p_value, got.odds_ratio) == pytest.approx(want, rel=SUMS)
        assert (low, high) == pytest.approx((0.77190736175935, 1.06032976443666), rel=SUMS)

    def test_admissions_homogeneity(self):
        got = homogeneity(admissions())
        printed(got.woolf_p, "0.003")  # R help(mantelhaen.test), seen
        assert got.woolf_p == pytest.approx(0.00342720049352205, rel=SUMS)
        assert got.breslow_day == pytest.approx(18.8255137052365, rel=SUMS)  # computed
        assert got.tarone == pytest.approx(18.8255012520532, rel=SUMS)  # computed

    def test_admissions_crude(self):
        value = odds_ratio(admissions().sum(axis=0)).estimate
        printed(value, "1.84")  # from memory
        assert value == pytest.approx(1.84108003718129, rel=EXACT)


# Newcombe (1998) Statistics in Medicine 17:857, Table I: 81/263 Wilson seen second-hand, the rest
# from memory; the check rests on the computed values.
@pytest.mark.parametrize(
    ("interval", "count", "of", "side", "text", "computed"),
    [
        (wilson, 81, 263, 0, "0.2553", 0.255288519878274),
        (wilson, 81, 263, 1, "0.3662", 0.3662095769828),
        (wilson, 15, 148, 0, "0.0624", 0.0623863995307363),
        (wilson, 15, 148, 1, "0.1605", 0.160487241723308),
        (wilson, 0, 20, 1, "0.1611", 0.161125158052819),
        (wilson, 1, 29, 0, "0.0061", 0.00611321429276267),
        (wilson, 1, 29, 1, "0.1718", 0.171755218793203),
        (clopper_pearson, 81, 263, 0, "0.2527", 0.252736745585271),
        (clopper_pearson, 0, 20, 1, "0.1684", 0.168433470983085),
    ],
)
def test_t3_shares(interval, count, of, side, text, computed):
    value = interval(count, of=of)[side]
    printed(value, text)
    assert value == pytest.approx(computed, rel=1e-11)


class TestM1ManyTests:
    """Benjamini and Hochberg (1995) section 4, as quoted in SciPy's false_discovery_control."""

    p = pd.read_csv(DATA / "typed_bh1995.csv").p.to_numpy()

    def test_rejections(self):
        assert int((benjamini_hochberg(self.p) <= 0.05).sum()) == 4
        assert int((self.p <= 0.05 / 15).sum()) == 3  # Bonferroni, for contrast

    def test_q_values(self):
        q = benjamini_hochberg(self.p)
        assert q[3] == pytest.approx(0.035625, rel=EXACT)
        printed(q[5], "0.06385714")
        printed(q[4], "0.0603")
        assert q[5] == pytest.approx(0.0638571428571429, rel=EXACT)

    def test_order_does_not_matter(self):
        mixed = np.random.default_rng(0).permutation(15)
        assert benjamini_hochberg(self.p[mixed]) == pytest.approx(
            benjamini_hochberg(self.p)[mixed], rel=EXACT
        )


class TestS1Poisson:
    @pytest.mark.parametrize(
        ("count", "side", "text", "computed"),
        [
            (4, 0, "1.089865", 1.08986537362632),  # R help(cipoisson), seen
            (0, 1, "3.689", 3.68887945411394),  # from memory, as the rest
            (1, 0, "0.0253", 0.0253178079842899),
            (1, 1, "5.572", 5.5716433909389),
            (10, 0, "4.795", 4.79538869613243),
            (10, 1, "18.39", 18.3903560420178),
        ],
    )
    def test_exact_limits(self, count, side, text, computed):
        value = poisson_exact(count)[side]
        printed(value, text)
        assert value == pytest.approx(computed, rel=EXACT)

    def test_the_help_page_is_off_in_the_fifth_figure(self):
        # R help(cipoisson) prints 10.24153; the value is 10.2415887.
        assert poisson_exact(4)[1] == pytest.approx(10.2415886754037, rel=EXACT)

    def test_byar(self):
        assert byar(10) == pytest.approx((4.78744991396756, 18.3914586057565), rel=EXACT)

    def test_standardised_ratio(self):
        """53 observed, 48.62 expected: R help(cipoisson), 1.09 seen; limits closed form."""
        got = observed_over_expected(53, expected=48.62)
        printed(got.estimate, "1.09")
        assert got.estimate == pytest.approx(1.09008638420403, rel=EXACT)
        assert (got.low, got.high) == pytest.approx(
            (0.816549504984728, 1.42585982988902), rel=EXACT
        )
