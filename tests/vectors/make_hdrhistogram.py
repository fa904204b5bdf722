"""hdrhistogram.json: what a histogram of three digits keeps. hdrhistogram 0.10.8, the Python port."""

from hdrh.histogram import HdrHistogram

from vector_file import settle

HIGHEST = 3_600_000_000


def three():
    return HdrHistogram(1, HIGHEST, 3)


def equivalent(value):
    histogram = three()
    low = histogram.get_lowest_equivalent_value(value)
    high = histogram.get_highest_equivalent_value(value)
    return {"value": value, "lowest_equiv": low, "highest_equiv": high, "width": high - low + 1,
            "rel": (high - low) / value}


def percentiles(histogram, ranks):
    return {rank: histogram.get_value_at_percentile(float(rank)) for rank in ranks}


ALL = three()
for value in range(1, 10_001):
    ALL.record_value(value)
TWO_DIGITS = HdrHistogram(1, HIGHEST, 2)
FEW = [5, 10, 20, 1000, 1003, 5000]
for value in FEW:
    TWO_DIGITS.record_value(value)

settle("hdrhistogram", {
    "sub_bucket_count": {str(digits): HdrHistogram(1, HIGHEST, digits).sub_bucket_count for digits in range(1, 6)},
    "equivalents": [equivalent(value) for value in [
        1, 2, 999, 1000, 1999, 2000, 2001, 2047, 2048, 2049, 4095, 4097, 8191, 10_000, 10_007, 123_456, 999_999,
        3_599_999_999]],
    "recorded_1_to_10000": percentiles(ALL, ["0", "10", "25", "50", "75", "90", "95", "99", "99.9", "100"]),
    "mean": ALL.get_mean_value(),
    "stddev": ALL.get_stddev(),
    "sig2": {"values": FEW,
             "percentiles": percentiles(TWO_DIGITS, ["0", "16.6", "50", "83.3", "83.4", "99", "100"])},
})
