//! The theory of a radio path: free space, and two rays over flat ground.
//!
//! Free space: ITU-R P.525, loss = 20 log10(4 pi d / wavelength), the exact form of the
//! recommendation's 32.4 + 20 log f + 20 log d. Two rays: as free space up to the breakpoint
//! 4 h1 h2 / wavelength, 40 dB a decade beyond it, as the median line of sight of ITU-R P.1411 has
//! it. Nearer than the breakpoint the ray from the ground meets the direct one in phase or against
//! it; where it cancels follows from the difference of the two ways alone. Distances are slant, in
//! metres, frequencies in megahertz, losses in decibels; isotropic antennas, flat and bare ground.

/// Metres a second, exact.
const LIGHT_M_S: f64 = 299_792_458.0;

/// One path: a frequency, and the heights of both antennas above flat ground where they are known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Path {
    /// Frequency in megahertz.
    pub frequency_mhz: f64,
    /// Heights of both antennas in metres.
    pub heights_m: Option<(f64, f64)>,
}

impl Path {
    /// The wavelength in metres.
    #[must_use]
    pub fn wavelength_m(&self) -> f64 {
        LIGHT_M_S / (self.frequency_mhz * 1e6)
    }

    /// Free-space loss.
    #[must_use]
    pub fn free_space_db(&self, distance_m: f64) -> f64 {
        20.0 * (4.0 * std::f64::consts::PI * distance_m / self.wavelength_m()).log10()
    }

    /// The distance of a free-space loss.
    #[must_use]
    pub fn free_space_m(&self, loss_db: f64) -> f64 {
        self.wavelength_m() / (4.0 * std::f64::consts::PI) * 10.0_f64.powf(loss_db / 20.0)
    }

    /// From here on the ground takes its share; `None` without heights.
    #[must_use]
    pub fn breakpoint_m(&self) -> Option<f64> {
        self.heights_m.map(|(one, other)| 4.0 * one * other / self.wavelength_m())
    }

    /// Loss over flat ground; `None` without heights.
    #[must_use]
    pub fn two_ray_db(&self, distance_m: f64) -> Option<f64> {
        let beyond = (distance_m / self.breakpoint_m()?).max(1.0);
        Some(self.free_space_db(distance_m) + 20.0 * beyond.log10())
    }

    /// The distance of a loss over flat ground; `None` without heights.
    #[must_use]
    pub fn two_ray_m(&self, loss_db: f64) -> Option<f64> {
        let (bend, free) = (self.breakpoint_m()?, self.free_space_m(loss_db));
        Some(if free <= bend { free } else { (free * bend).sqrt() })
    }

    /// Where the ground's ray cancels the direct one, farthest first: the ways differ by whole wavelengths
    /// and the reflection turns the phase. At most `most` of them.
    #[must_use]
    pub fn cancelled_m(&self, most: usize) -> Vec<f64> {
        let Some((one, other)) = self.heights_m else { return Vec::new() };
        let wavelength = self.wavelength_m();
        // The squares of the two ways differ by 4 h1 h2, so their sum follows from their difference.
        (1..=most)
            .map(|waves| waves as f64 * wavelength)
            .map(|difference| f64::midpoint(4.0 * one * other / difference, -difference))
            .take_while(|&direct| direct > (one - other).abs())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::space::propagation::*;

    fn vectors() -> Value {
        serde_json::from_str(include_str!("../../../tests/vectors/pathloss.json")).unwrap()
    }

    fn number(value: &Value) -> f64 {
        value.as_f64().unwrap()
    }

    /// ITU-R P.525: the exact form to 1e-9, the recommendation's rounded 32.4 to 0.05 dB.
    #[test]
    fn free_space_matches_the_recommendation() {
        let vectors = vectors();
        let rows = vectors["fspl"].as_array().unwrap();
        assert!(rows.len() >= 30);
        for row in rows {
            let path = Path { frequency_mhz: number(&row["f_mhz"]), heights_m: None };
            let loss = path.free_space_db(number(&row["d_m"]));
            assert!((loss - number(&row["fspl_exact_db"])).abs() < 1e-9, "{row}");
            assert!((loss - number(&row["fspl_p525_32_4_db"])).abs() < 0.05, "{row}");
            assert!((path.free_space_m(loss) / number(&row["d_m"]) - 1.0).abs() < 1e-12);
        }
    }

    /// 4 h1 h2 / wavelength, computed apart (tests/vectors/pathloss.json).
    #[test]
    fn breakpoints_match() {
        let vectors = vectors();
        for row in vectors["two_ray_breakpoint"].as_array().unwrap() {
            let heights_m = Some((number(&row["ht"]), number(&row["hr"])));
            let path = Path { frequency_mhz: 1000.0 * number(&row["f_ghz"]), heights_m };
            assert!((path.breakpoint_m().unwrap() - number(&row["d_break_m"])).abs() < 1e-6, "{row}");
        }
    }

    /// The field of two rays summed as it stands, reflection coefficient -1: level over free space, dB.
    fn summed_rays(path: &Path, direct: f64) -> f64 {
        let (one, other) = path.heights_m.unwrap();
        let ground = (direct * direct + 4.0 * one * other).sqrt();
        let phase = std::f64::consts::TAU * (ground - direct) / path.wavelength_m();
        let share = direct / ground;
        let power = 1.0 + share * share - 2.0 * share * phase.cos();
        10.0 * power.log10()
    }

    #[test]
    fn the_rays_cancel_where_it_says_and_stand_highest_at_the_breakpoint() {
        let path = Path { frequency_mhz: 2400.0, heights_m: Some((1.5, 10.0)) };
        let found = path.cancelled_m(3);
        assert_eq!(found.len(), 3);
        for distance in found {
            let here = summed_rays(&path, distance);
            assert!(here < -25.0, "{distance} m: {here} dB");
            assert!(summed_rays(&path, distance * 0.98) > here && summed_rays(&path, distance * 1.02) > here);
        }
        // Beyond the breakpoint the sum falls for good, by 40 dB a decade in the end.
        let bend = path.breakpoint_m().unwrap();
        assert!((summed_rays(&path, bend) - 6.02).abs() < 0.1);
        let level = |distance: f64| summed_rays(&path, distance) - path.free_space_db(distance);
        assert!((level(10.0 * bend) - level(100.0 * bend) - 40.0).abs() < 0.3);
        let model = |distance: f64| path.two_ray_db(distance).unwrap();
        assert!((model(100.0 * bend) - model(10.0 * bend) - 40.0).abs() < 1e-9);
    }

    #[test]
    fn two_rays_are_free_space_up_to_the_breakpoint_and_go_back_and_forth() {
        let path = Path { frequency_mhz: 5800.0, heights_m: Some((1.5, 2.0)) };
        let bend = path.breakpoint_m().unwrap();
        for distance in [1.0, 0.5 * bend, bend, 1.5 * bend, 30.0 * bend] {
            let loss = path.two_ray_db(distance).unwrap();
            assert!((path.two_ray_m(loss).unwrap() / distance - 1.0).abs() < 1e-9, "{distance}");
            assert!(loss >= path.free_space_db(distance) - 1e-9);
        }
        let without = Path { heights_m: None, ..path };
        assert_eq!((without.two_ray_db(9.0), without.two_ray_m(90.0)), (None, None));
        assert!(without.cancelled_m(3).is_empty());
    }
}
