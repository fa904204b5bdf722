//! The line under all points: lower convex hull.
//!
//! Moon, Skelly and Towsley (IEEE INFOCOM 1999): of all lines with every point on
//! or above them, the one with the least summed distance. It is the edge of the
//! lower hull that spans the mean abscissa. Points come in order of their
//! abscissa; memory is bounded by [`MOST_VERTICES`]. No unit of its own.

/// Vertices kept; a hull of random delays has a few dozen, hostile data could have more.
const MOST_VERTICES: usize = 128;

/// A straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Rise per unit of the abscissa.
    pub slope: f64,
    /// Value at abscissa 0.
    pub intercept: f64,
}

impl Line {
    /// The line's value.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.slope * x + self.intercept
    }
}

/// A lower convex hull that grows to the right.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LowerHull {
    vertices: Vec<(f64, f64)>,
    count: u64,
    sum_x: f64,
}

impl LowerHull {
    /// Takes a point; its abscissa must not lie before the last one's (it is ignored if it does).
    pub fn push(&mut self, x: f64, y: f64) {
        if !x.is_finite() || !y.is_finite() || self.vertices.last().is_some_and(|last| x < last.0) {
            return;
        }
        self.count += 1;
        self.sum_x += x;
        self.add_vertex(x, y);
    }

    fn add_vertex(&mut self, x: f64, y: f64) {
        if let Some(last) = self.vertices.last()
            && last.0 == x
        {
            if last.1 <= y {
                return;
            }
            self.vertices.pop();
        }
        while let [.., first, second] = self.vertices.as_slice() {
            let cross = (second.0 - first.0) * (y - first.1) - (second.1 - first.1) * (x - first.0);
            if cross > 0.0 {
                break;
            }
            self.vertices.pop();
        }
        if self.vertices.len() >= MOST_VERTICES {
            self.thin();
        }
        self.vertices.push((x, y));
    }

    /// Drops the vertex whose absence raises the hull least.
    fn thin(&mut self) {
        let raise = |window: &[(f64, f64)]| {
            let share = (window[1].0 - window[0].0) / (window[2].0 - window[0].0);
            window[0].1 + share * (window[2].1 - window[0].1) - window[1].1
        };
        let least = self
            .vertices
            .windows(3)
            .enumerate()
            .min_by(|a, b| raise(a.1).total_cmp(&raise(b.1)))
            .map(|(index, _)| index + 1);
        if let Some(index) = least {
            self.vertices.remove(index);
        }
    }

    /// The hull of this one's points and those of a later one.
    #[must_use]
    pub fn joined(&self, later: &Self) -> Self {
        let mut joined = self.clone();
        for &(x, y) in &later.vertices {
            joined.add_vertex(x, y);
        }
        joined.count += later.count;
        joined.sum_x += later.sum_x;
        joined
    }

    /// Points taken.
    #[must_use]
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// Vertices from left to right.
    #[must_use]
    pub fn vertices(&self) -> &[(f64, f64)] {
        &self.vertices
    }

    /// Mean abscissa of all points; `None` of none.
    #[must_use]
    pub fn mean_x(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum_x / self.count as f64)
    }

    /// The edge that spans the mean abscissa, as a line; `None` of fewer than two abscissas.
    #[must_use]
    pub fn line(&self) -> Option<Line> {
        let mean = self.mean_x()?;
        let edge = self
            .vertices
            .windows(2)
            .find(|edge| edge[1].0 >= mean)
            .or_else(|| self.vertices.windows(2).last())?;
        let slope = (edge[1].1 - edge[0].1) / (edge[1].0 - edge[0].0);
        Some(Line { slope, intercept: edge[0].1 - slope * edge[0].0 })
    }

    /// The highest line of a given slope with no point under it.
    #[must_use]
    pub fn line_with_slope(&self, slope: f64) -> Option<Line> {
        let intercept = self.vertices.iter().map(|(x, y)| y - slope * x).min_by(f64::total_cmp)?;
        Some(Line { slope, intercept })
    }

    /// The hull itself at an abscissa, its end edges' values held beyond the ends.
    #[must_use]
    pub fn at(&self, x: f64) -> Option<f64> {
        let (first, last) = (self.vertices.first()?, self.vertices.last()?);
        if x <= first.0 {
            return Some(first.1);
        }
        if x >= last.0 {
            return Some(last.1);
        }
        let right = self.vertices.partition_point(|vertex| vertex.0 < x);
        let (a, b) = (self.vertices[right - 1], self.vertices[right]);
        Some(a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0))
    }
}

#[cfg(test)]
mod tests {
    use crate::stats::curve_fit::lower_hull::*;

    fn vectors() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/vectors/clock.json")).unwrap()
    }

    fn points(case: &serde_json::Value) -> Vec<(f64, f64)> {
        if let Some(list) = case["points"].as_array() {
            return list.iter().map(|pair| (pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap())).collect();
        }
        // As the vector says: LCG, d = 20 + 0.05 i - 5 ln(1 - u).
        let mut x: u64 = 12_345;
        (0..600)
            .map(|i| {
                x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let u = (x >> 11) as f64 / 2f64.powi(53);
                (f64::from(i), 20.0 + 0.05 * f64::from(i) - 5.0 * (1.0 - u).ln())
            })
            .collect()
    }

    /// Moon, Skelly and Towsley's linear programme, solved by scipy's linprog (HiGHS); see the vector's source.
    #[test]
    fn line_is_the_linear_programme_s_optimum() {
        for case in vectors()["skew"].as_array().unwrap() {
            let mut hull = LowerHull::default();
            let points = points(case);
            for &(x, y) in &points {
                hull.push(x, y);
            }
            let line = hull.line().unwrap();
            assert!((line.slope - case["lp_slope"].as_f64().unwrap()).abs() < 1e-8, "{}", case["name"]);
            assert!(
                (line.intercept - case["lp_intercept"].as_f64().unwrap()).abs() < 1e-6,
                "{}",
                case["name"]
            );
            let objective: f64 = points.iter().map(|&(x, y)| y - line.at(x)).sum();
            assert!((objective - case["lp_objective"].as_f64().unwrap()).abs() < 1e-5);
            let expected: Vec<(f64, f64)> = case["lower_hull"]
                .as_array()
                .unwrap()
                .iter()
                .map(|pair| (pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap()))
                .collect();
            assert_eq!(hull.vertices().len(), expected.len());
            for (got, want) in hull.vertices().iter().zip(&expected) {
                assert!((got.0 - want.0).abs() < 1e-9 && (got.1 - want.1).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn hull_of_two_halves_is_the_hull_of_the_whole() {
        let points = points(&vectors()["skew"][2]);
        let (mut whole, mut left, mut right) =
            (LowerHull::default(), LowerHull::default(), LowerHull::default());
        for (index, &(x, y)) in points.iter().enumerate() {
            whole.push(x, y);
            if index < 300 { left.push(x, y) } else { right.push(x, y) }
        }
        assert_eq!(left.joined(&right).vertices(), whole.vertices());
        assert_eq!(left.joined(&right).line(), whole.line());
    }

    #[test]
    fn a_parabola_without_end_stays_bounded_and_under_its_points() {
        let mut hull = LowerHull::default();
        for i in 0..5000 {
            hull.push(f64::from(i), f64::from(i) * f64::from(i) * 1e-6);
        }
        assert!(hull.vertices().len() <= MOST_VERTICES);
        hull.push(f64::NAN, 1.0);
        hull.push(3.0, f64::NEG_INFINITY);
        assert_eq!(hull.count(), 5000);
    }
}
