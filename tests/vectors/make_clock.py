"""clock.json: offsets by RFC 5905, and the line under all delays. scipy 1.17.1 (`linprog`) and a hull by hand."""

import math

from scipy.optimize import linprog

from vector_file import kept, settle

made = kept("clock")
for row in made["four_timestamp"]:
    t1, t2, t3, t4 = row["T"]
    theta, delta = ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)
    row |= {"theta": theta, "delta": delta, "error_bound": delta / 2,
            "true_offset_interval": [theta - delta / 2, theta + delta / 2]}
sync = made["timesync"]
sync["rtt_ns"] = sync["now"] - sync["ts1"]
sync["offset_remote_minus_local_ns"] = sync["tc1"] - (sync["now"] + sync["ts1"]) // 2
sync["bound_ns"] = sync["rtt_ns"] // 2
least = min(made["clock_filter"]["samples_theta_delta_eps"], key=lambda sample: sample[1])
made["clock_filter"] |= {"chosen_theta": least[0], "chosen_delta": least[1]}


def generated():
    state = 12_345
    for second in range(600):
        state = (6_364_136_223_846_793_005 * state + 1_442_695_040_888_963_407) % 2**64
        yield [float(second), 20 + 0.05 * second - 5 * math.log(1 - (state >> 11) / 2**53)]


def hull(points):
    """Andrew's monotone chain, the lower half."""
    kept_points = []
    for x, y in points:
        while len(kept_points) > 1:
            (x1, y1), (x2, y2) = kept_points[-2:]
            if (x2 - x1) * (y - y1) - (y2 - y1) * (x - x1) > 0:
                break
            kept_points.pop()
        kept_points.append([x, y])
    return kept_points


for row in made["skew"]:
    points = list(generated()) if isinstance(row["points"], str) else row["points"]
    row["first5"], row["lower_hull"] = points[:5], hull(points)
    # Moon, Skelly and Towsley (1999): the line below all points with the least sum of distances.
    mean = sum(x for x, _ in points) / len(points)
    edges = list(zip(row["lower_hull"], row["lower_hull"][1:]))
    (x1, y1), (x2, y2) = next(edge for edge in edges if edge[0][0] <= mean <= edge[1][0])
    row["hull_slope"] = (y2 - y1) / (x2 - x1)
    row["hull_intercept"] = y1 - row["hull_slope"] * x1
    found = linprog([-sum(x for x, _ in points), -len(points)], A_ub=[[x, 1] for x, _ in points],
                    b_ub=[y for _, y in points], bounds=[(None, None)] * 2)
    row["lp_slope"], row["lp_intercept"] = found.x
    row["lp_objective"] = sum(y - row["lp_slope"] * x - row["lp_intercept"] for x, y in points)
    if "ols_slope" in row:
        my = sum(y for _, y in points) / len(points)
        row["ols_slope"] = (sum((x - mean) * (y - my) for x, y in points)
                            / sum((x - mean) ** 2 for x, _ in points))
settle("clock", made)
