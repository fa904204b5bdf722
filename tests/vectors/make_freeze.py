"""freeze.json: the W3C rule for freezes of video, transcribed in its three readings."""

from vector_file import kept, settle

made = kept("freeze")


def threshold(mean):
    return max(3 * mean, mean + 150)


for row in made["steady_threshold_table"]:
    mean = 1000 / row["fps"]
    row |= {"frame_ms": mean, "three_avg": 3 * mean, "avg_plus_150": mean + 150, "threshold": threshold(mean)}


def variant(before):
    """`before`: the mean that an interval is judged by, from all intervals up to it; `None` too early."""
    rows, frozen = [], []
    durations = made["durations_ms"]
    for index, interval in enumerate(durations):
        mean = before(durations, index)
        limit = None if mean is None else threshold(mean)
        is_freeze = limit is not None and interval >= limit
        frozen += [interval] if is_freeze else []
        rows.append({"i": index, "interval_ms": interval, "avg_ms": mean, "threshold_ms": limit, "freeze": is_freeze})
    return {"freezeCount": len(frozen), "totalFreezesDuration_s": sum(frozen) / 1000, "rows": rows[29:]}


def prior(durations, index):
    return sum(durations[index - 30:index]) / 30 if index >= 30 else None


def including(durations, index):
    return sum(durations[index - 29:index + 1]) / 30 if index >= 29 else None


def reference(durations, index):
    window = durations[max(0, index - 29):index + 1]
    return sum(window) // len(window) if len(window) >= 5 else None


made["variants"] = {"prior30_exact": variant(prior), "incl_current_exact": variant(including),
                    "reference_impl_incl_floor_min5": variant(reference)}
settle("freeze", made)
