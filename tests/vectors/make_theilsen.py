"""theilsen.json: robust slopes. scipy 1.17.1; the data of Sen (1968) as in scipy's own tests."""

from scipy import stats

from vector_file import settle

CASES = [
    ("Sen1968", [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78],
     "example data of Sen (1968); scipy test suite expects slope 4, 93% CI 26/7..35/8"),
    ("rssi_outlier", list(range(10)), [-40, -41, -42, -43, -44, -20, -46, -47, -48, -49],
     "hand-checkable: exact -1/step with one +25 dB outlier"),
    ("ties", [0, 0, 1, 1, 2, 2, 3], [-50, -51, -52, -51, -53, -55, -54],
     "repeated x: pairs with equal x are skipped"),
]


def case(name, x, y, note):
    separate = stats.theilslopes(y, x, 0.95, method="separate")
    joint = stats.theilslopes(y, x, 0.93, method="joint")
    line = stats.linregress(x, y)
    return {
        "name": name, "x": x, "y": y, "slope": separate.slope, "intercept_separate": separate.intercept,
        "intercept_joint": joint.intercept, "ci95": [separate.low_slope, separate.high_slope],
        "ci93": [joint.low_slope, joint.high_slope], "ols_slope": line.slope, "ols_intercept": line.intercept,
        "siegel_slope": stats.siegelslopes(y, x).slope, "kendall_tau": stats.kendalltau(x, y).statistic, "note": note,
    }


settle("theilsen", {"cases": [case(*row) for row in CASES]})
