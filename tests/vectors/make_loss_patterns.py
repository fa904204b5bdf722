"""loss_patterns.json: RFC 3357's streams of loss distances and periods, and a two-state model from runs."""

import ast
import itertools

from vector_file import kept, settle


def streams(loss):
    """Section 5.4: each packet's distance to the loss before it, and the number of its loss period."""
    distances, periods, last, period = [], [], None, 0
    for index, lost in enumerate(loss):
        if not lost:
            distances.append([0, 0])
            periods.append([0, 0])
            continue
        distances.append([0 if last is None else index - last, 1])
        period += last is None or index - last > 1
        periods.append([period, 1])
        last = index
    return distances, periods


made = kept("loss_patterns")
for row in made["cases"]:
    loss = row["loss"]
    row["distance_stream"], row["period_stream"] = streams(loss)
    runs = [(lost, len(list(run))) for lost, run in itertools.groupby(loss)]
    lengths = [length for lost, length in runs if lost]
    starts = [index for index, lost in enumerate(loss) if lost and (index == 0 or not loss[index - 1])]
    own = [distance for distance, lost in row["distance_stream"] if lost][1:]
    ends = [start + length - 1 for start, length in zip(starts, lengths)]
    row["period_starts"], row["period_lengths"], row["period_total"] = starts, lengths, len(starts)
    row["inter_loss_period_lengths"] = [0] + [start - end for start, end in zip(starts[1:], ends)]
    row["loss_distances_excluding_first"] = own
    # Of all losses, the first among them, which is none.
    row["noticeable_rate"] = {bound: sum(distance <= int(bound) for distance in own) / sum(loss)
                              for bound in row["noticeable_rate"]}
    row["loss_ratio"], row["mean_burst"] = sum(loss) / len(loss), sum(loss) / len(lengths)
    steps = list(zip(loss, loss[1:]))
    count = {f"n{a}{b}": steps.count((a, b)) for a in (0, 1) for b in (0, 1)}
    p, r = count["n01"] / (count["n00"] + count["n01"]), count["n10"] / (count["n10"] + count["n11"])
    row["gilbert_transitions"], row["gilbert_p"], row["gilbert_r"] = count, p, r
    row["stationary_loss"], row["mean_burst_model"] = p / (p + r), 1 / r
for row in made["gilbert_from_runs"]:
    runs = ast.literal_eval(row["run_lengths"])
    lost, count = sum(length * times for length, times in runs.items()), sum(runs.values())
    p, r = count / (row["n"] - lost), count / lost
    row |= {"lost": lost, "runs": count, "mean_run": lost / count, "r": r, "p": p, "loss": lost / row["n"],
            "check_p_over_p_plus_r": p / (p + r), "burst_R": lost / count * (1 - lost / row["n"])}
settle("loss_patterns", made)
