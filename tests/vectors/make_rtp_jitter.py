"""rtp_jitter.json: RFC 3550, appendix A.8 (jitter) and figure 2 (round trip), transcribed; A.1's trace too."""

from vector_file import kept, settle

made = kept("rtp_jitter")


def jitter(rows, transit_of):
    """J += (|D| - J) / 16, and the same in whole sixteenths as the appendix has it."""
    last, smooth, scaled = None, 0.0, 0
    for row in rows:
        transit = transit_of(row)
        change = None if last is None else abs(transit - last)
        if change is not None:
            smooth += (change - smooth) / 16
            scaled += int(change) - ((scaled + 8) >> 4)
        last = transit
        row["abs_D"], row["J"] = change, smooth
        yield row, transit, scaled


for row, transit, scaled in jitter(made["example"], lambda row: row["arrival_ts_units"] - row["rtp_ts"]):
    row["transit"], row["J_scaled_int"], row["J_reported_from_int"] = transit, scaled, scaled >> 4


def wrapped(row):
    transit = (row["arrival"] - row["rtp_ts"]) % 2**32
    return transit - 2**32 if transit >= 2**31 else transit


for row, transit, _ in jitter(made["wrap_example"], wrapped):
    row["transit_i32"] = transit

DROPOUT, MISORDER = made["update_seq_params"]["MAX_DROPOUT"], made["update_seq_params"]["MAX_MISORDER"]
state = None
for row in made["update_seq_trace"]:
    seq, accepted = row["seq"], 1
    if state is None:
        # One packet proves nothing yet: a second in sequence does.
        state = {"max": seq, "cycles": 0, "base": seq, "bad": None, "received": 0, "probation": 1}
        accepted = 0
    elif state["probation"]:
        state |= {"max": seq, "base": seq, "cycles": 0, "received": 1, "probation": 0}
    else:
        ahead = (seq - state["max"]) % 65_536
        if ahead < DROPOUT:
            state["cycles"] += 65_536 * (seq < state["max"])
            state["max"] = seq
        elif ahead <= 65_536 - MISORDER:
            if seq == state["bad"]:
                state |= {"max": seq, "base": seq, "cycles": 0, "received": 0, "bad": None}
            else:
                state["bad"], accepted = (seq + 1) % 65_536, 0
        state["received"] += accepted
    expected = state["cycles"] + state["max"] - state["base"] + 1
    row |= {"ret": accepted, "max_seq": state["max"], "cycles": state["cycles"], "base_seq": state["base"],
            "received": state["received"], "expected": expected, "lost": expected - state["received"]}
trip = made["rtt_example"]
whole = int(trip["A"], 16) - int(trip["LSR"], 16) - int(trip["DLSR"], 16)
trip["rtt"], trip["rtt_s"] = f"0x{whole:08x}", whole / 65_536
settle("rtp_jitter", made)
