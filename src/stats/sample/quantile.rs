//! Sample quantiles.
//!
//! Hyndman and Fan (1996), definition 7: linear interpolation between order
//! statistics, the default of the common statistics packages. No unit.

/// The quantile `p` (0 to 1) of a sample in any order; `None` of an empty one.
#[must_use]
pub fn of(sample: &[f64], p: f64) -> Option<f64> {
    select(&mut sample.to_vec(), p)
}

/// The same, which changes the order.
#[must_use]
pub fn select(sample: &mut [f64], p: f64) -> Option<f64> {
    let position = p.clamp(0.0, 1.0) * sample.len().checked_sub(1)? as f64;
    let below = position.floor() as usize;
    let (_, &mut low, above) = sample.select_nth_unstable_by(below, f64::total_cmp);
    let high = above.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    Some(low + (position - below as f64) * (high - low))
}

/// The value of a rank (0: the least) among counted values in ascending order; `None` beyond the last.
#[must_use]
pub fn of_rank<T>(counted: impl IntoIterator<Item = (T, u64)>, rank: u64) -> Option<T> {
    let mut passed = 0;
    let at_rank = |(value, count): (T, u64)| {
        passed += count;
        (rank < passed).then_some(value)
    };
    counted.into_iter().find_map(at_rank)
}

/// The median; `None` of an empty sample.
#[must_use]
pub fn median(sample: &[f64]) -> Option<f64> {
    of(sample, 0.5)
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::quantile::*;

    /// numpy.quantile of [1, 3, 2, 10] (default method, Hyndman and Fan 7), worked by hand.
    #[test]
    fn quantiles_match_definition_seven() {
        let sample = [1.0, 3.0, 2.0, 10.0];
        assert_eq!(of(&sample, 0.0), Some(1.0));
        assert_eq!(of(&sample, 0.25), Some(1.75));
        assert_eq!(median(&sample), Some(2.5));
        assert_eq!(of(&sample, 0.75), Some(4.75));
        assert_eq!(of(&sample, 1.0), Some(10.0));
        assert_eq!(median(&[]), None);
    }

    /// Writing the values out is the oracle.
    #[test]
    fn a_rank_among_counted_values_is_that_among_the_values() {
        let counted = [(-3, 2), (0, 0), (1, 1), (7, 4)];
        let written_out = [-3, -3, 1, 7, 7, 7, 7];
        for (rank, value) in written_out.into_iter().enumerate() {
            assert_eq!(of_rank(counted, rank as u64), Some(value), "{rank}");
        }
        assert_eq!(of_rank(counted, 7), None);
    }
}
