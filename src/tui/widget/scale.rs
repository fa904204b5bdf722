//! Values to places: linear scales with round edges, and columns to cells.

/// A linear scale from `low` at the bottom to `high` at the top.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Value at the bottom.
    pub low: f64,
    /// Value at the top.
    pub high: f64,
}

impl Scale {
    /// The scale that holds all finite values, its edges on multiples of `step`.
    #[must_use]
    pub fn around(values: impl Iterator<Item = f64>, step: f64) -> Option<Self> {
        let (low, high) = values
            .filter(|value| value.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        if low > high || step <= 0.0 {
            return None;
        }
        let bottom = (low / step).floor() * step;
        let top = (high / step).ceil() * step;
        Some(Self { low: bottom, high: if top > bottom { top } else { bottom + step } })
    }

    /// The scale whose top is lowered, to a multiple of `step`, until so many `dots` are no farther apart than `seen`;
    /// what lies above it is drawn at the top. It still holds `keep`.
    #[must_use]
    pub fn seen(self, seen: f64, dots: u32, step: f64, keep: f64) -> Self {
        let most = f64::from(dots.saturating_sub(1)) * seen;
        let lowered = self.low + (most / step).floor().max(1.0) * step;
        let least = if keep.is_finite() { (keep / step).ceil() * step } else { lowered };
        Self { high: self.high.min(lowered.max(least)), ..self }
    }

    /// Where a value lies: 0 at the bottom, 1 at the top, held within.
    #[must_use]
    pub fn place(&self, value: f64) -> f64 {
        ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0)
    }

    /// The row from the top, of `rows`, in which a value lies.
    #[must_use]
    pub fn row(&self, value: f64, rows: u16) -> u16 {
        let last = rows.saturating_sub(1);
        ((1.0 - self.place(value)) * f64::from(last)).round() as u16
    }
}

/// A round number at or above `value`: 1, 2 or 5 times a power of ten.
#[must_use]
pub fn round_up(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = 10.0_f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .map(|step| step * power)
        .into_iter()
        .find(|round| *round >= value * 0.999_999)
        .unwrap_or(10.0 * power)
}

/// The cells that fall into each of `width` columns; fewer cells than columns repeat.
pub fn columns<T>(cells: &[T], width: u16) -> impl Iterator<Item = &[T]> {
    let count = cells.len();
    let width = usize::from(width);
    (0..width).map(move |column| {
        let from = column * count / width;
        let to = ((column + 1) * count).div_ceil(width).max(from + 1).min(count);
        // Where columns divide the cells evenly each cell falls into one column.
        let to = if count >= width { ((column + 1) * count / width).max(from + 1).min(count) } else { to };
        cells.get(from..to).unwrap_or(&[])
    })
}

#[cfg(test)]
mod tests {
    use crate::tui::widget::scale::*;

    #[test]
    fn edges_are_round_and_rows_count_from_the_top() {
        let scale = Scale::around([-63.0, f64::NAN, -88.0].into_iter(), 10.0).unwrap();
        assert_eq!(scale, Scale { low: -90.0, high: -60.0 });
        assert_eq!(scale.row(-60.0, 4), 0);
        assert_eq!(scale.row(-90.0, 4), 3);
        assert_eq!(scale.row(-200.0, 4), 3);
        assert!(Scale::around(std::iter::empty(), 10.0).is_none());
        assert_eq!(Scale::around([5.0].into_iter(), 5.0).unwrap(), Scale { low: 5.0, high: 10.0 });
    }

    /// 15 steps of 3 dB are 45 dB.
    #[test]
    fn a_small_plot_leaves_out_the_top_and_not_the_small_differences() {
        let scale = Scale { low: -90.0, high: -20.0 };
        assert_eq!(scale.seen(3.0, 16, 5.0, -70.0), Scale { low: -90.0, high: -45.0 });
        assert_eq!(scale.seen(3.0, 28, 5.0, -70.0), scale, "81 dB");
        assert_eq!(
            scale.seen(3.0, 16, 5.0, -33.0),
            Scale { low: -90.0, high: -30.0 },
            "what counts stays in view"
        );
        assert_eq!(scale.seen(3.0, 0, 5.0, f64::NEG_INFINITY), Scale { low: -90.0, high: -85.0 });
    }

    #[test]
    fn round_numbers() {
        assert_eq!([0.0, 0.9, 1.0, 1.1, 30.0, 51.0].map(round_up), [1.0, 1.0, 1.0, 2.0, 50.0, 100.0]);
    }

    #[test]
    fn every_cell_falls_into_one_column_where_there_are_enough() {
        let cells: Vec<usize> = (0..10).collect();
        let shared: Vec<&[usize]> = columns(&cells, 4).collect();
        assert_eq!(shared.concat(), cells);
        assert_eq!(columns(&cells[..2], 4).map(|part| part[0]).collect::<Vec<_>>(), [0, 0, 1, 1]);
        assert_eq!(columns::<usize>(&[], 3).map(<[usize]>::len).collect::<Vec<_>>(), [0, 0, 0]);
        assert_eq!(columns(&cells, 0).count(), 0);
    }
}
