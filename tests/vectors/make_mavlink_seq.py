"""mavlink_seq.json: the public developer guide's rule for gaps, and what clocks wrap at. Arithmetic alone."""

from vector_file import settle

RULE = ("gap=(seq-last-1) mod 256 per (sysid,compid) per link; naive rule turns a duplicate into 255 lost and a swap "
        "into 254+..., so large gaps need a reorder/duplicate guard")


def case(seq):
    gaps = [0] + [(now - last - 1) % 256 for last, now in zip(seq, seq[1:])]
    lost = sum(gaps)
    return {"seq": seq, "gaps": gaps, "lost_naive": lost, "received": len(seq), "loss_ratio": lost / (lost + len(seq))}


def wrap(before, now):
    return {"prev_u32": before, "cur_u32": now, "delta_us": (now - before) % 2**32}


settle("mavlink_seq", {
    "rule": RULE,
    "cases": [case(seq) for seq in [
        [250, 251, 252, 253, 254, 255, 0, 1, 2], [250, 251, 254, 255, 2, 3], [10, 11, 13, 12, 14], [10, 11, 11, 12],
        [7, 7], [200, 199]]],
    "uint32_us_wrap_s": 2**32 / 1e6,
    "uint32_us_wrap_min": 2**32 / 6e7,
    "uint32_ms_wrap_days": 2**32 / 86_400_000,
    "rtp_ts_90k_wrap_s": 2**32 / 90_000,
    "wrap_cases": [wrap(4_294_967_000, 704), wrap(2**32 - 1, 0)],
})
