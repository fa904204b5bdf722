"""wilson.json: intervals of a proportion and of a quantile. scipy 1.17.1."""

from scipy import stats

from vector_file import settle

Z = stats.norm.ppf(0.975)
# Newcombe (1998), Table I, and ends.
CASES = [(81, 263), (15, 148), (0, 20), (1, 29), (23, 60), (0, 10), (10, 10), (5, 10), (1, 100), (0, 100),
         (3, 1000), (0, 1000), (50, 1000), (299, 300)]


def interval(k, n, method):
    found = stats.binomtest(k, n).proportion_ci(0.95, method)
    return [found.low, found.high]


def quantile(n, p):
    """Ranks l < u (1-based) with P(B <= l-1) <= a/2 and P(B >= u) <= a/2; no upper rank where none is in the sample."""
    low = max(rank for rank in range(n + 1) if rank == 0 or stats.binom.cdf(rank - 1, n, p) <= 0.025)
    high = next(rank for rank in range(1, n + 2) if stats.binom.sf(rank - 1, n, p) <= 0.025)
    covered = stats.binom.cdf(high - 1, n, p) - stats.binom.cdf(low - 1, n, p)
    return {"n": n, "p": p, "lower_rank": low, "upper_rank": high if high <= n else None,
            "exact_coverage": covered}


def fewest(p, conf):
    """So many samples, for their largest to be above the quantile with this confidence."""
    return next(n for n in range(1, 10_000) if 1 - p**n >= conf)


def test_interval(p):
    found = stats.quantile_test(range(1, 101), q=0, p=p).confidence_interval(0.95)
    return [found.low, found.high]


settle("wilson", {
    "z975": Z,
    "rows": [{"k": k, "n": n, "wilson": interval(k, n, "wilson"), "wilson_cc": interval(k, n, "wilsoncc"),
              "clopper_pearson": interval(k, n, "exact")} for k, n in CASES],
    "rule_of_three": [{"n": n, "exact_one_sided_95": 1 - 0.05 ** (1 / n), "rule_of_three": 3 / n,
                       "two_sided_cp_upper": 1 - 0.025 ** (1 / n)} for n in (10, 20, 30, 59, 100, 300, 1000)],
    "quantile_ci_rule": "ranks l<u (1-based) with P(B<=l-1)<=a/2 and P(B>=u)<=a/2, B~Binomial(n,p); "
                        "coverage = P(l<=B<=u-1)",
    "quantile_ci": [quantile(n, p) for n, p in [
        (10, 0.5), (20, 0.5), (30, 0.5), (50, 0.5), (100, 0.5), (100, 0.9), (100, 0.95), (200, 0.95), (59, 0.95),
        (500, 0.99), (1000, 0.99), (1000, 0.5)]],
    "scipy_quantile_test": {"data": "1..100", "median_ci": test_interval(0.5), "p95_ci": test_interval(0.95)},
    "min_n_one_sided_upper": [{"p": p, "conf": conf, "n": fewest(p, conf)}
                              for p in (0.5, 0.9, 0.95, 0.99, 0.999) for conf in (0.9, 0.95, 0.99)],
})
