//! Short distances on the WGS84 ellipsoid, in metres.
//!
//! Radii of curvature in the meridian, M, and in the prime vertical, N, at the middle
//! latitude (any geodesy text; WGS84 constants from NGA.STND.0036): the horizontal distance
//! is hypot(dphi M, dlambda N cos phi). Over 1 km it differs from the exact geodesic by
//! micrometres, over 50 km by centimetres; a sphere would err by up to 0.56 %.

/// Equatorial radius, m.
const SEMI_MAJOR_M: f64 = 6_378_137.0;
/// Flattening.
const FLATTENING: f64 = 1.0 / 298.257_223_563;

/// The horizontal distance of two points given in degrees, for points not more than some 50 km apart.
#[must_use]
pub fn horizontal_m(from: (f64, f64), to: (f64, f64)) -> f64 {
    let (north, east) = north_east_m(from, to);
    north.hypot(east)
}

/// How far `to` lies north and east of `from`; latitude and longitude in degrees.
#[must_use]
pub fn north_east_m(from: (f64, f64), to: (f64, f64)) -> (f64, f64) {
    let eccentricity_squared = FLATTENING * (2.0 - FLATTENING);
    let middle = f64::midpoint(from.0, to.0).to_radians();
    let (sine, cosine) = middle.sin_cos();
    let shrink = 1.0 - eccentricity_squared * sine * sine;
    let prime_vertical = SEMI_MAJOR_M / shrink.sqrt();
    let meridian = prime_vertical * (1.0 - eccentricity_squared) / shrink;
    let north = (to.0 - from.0).to_radians() * meridian;
    let east = wrapped_deg(to.1 - from.1).to_radians() * prime_vertical * cosine;
    (north, east)
}

/// A difference of longitudes, across the antimeridian too: -180 to 180.
fn wrapped_deg(difference: f64) -> f64 {
    (difference + 180.0).rem_euclid(360.0) - 180.0
}

/// The straight distance from a horizontal distance and a difference of heights.
#[must_use]
pub fn slant_m(horizontal_m: f64, height_m: f64) -> f64 {
    horizontal_m.hypot(height_m)
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::space::geodesic::*;

    /// geographiclib 2.1 (Karney 2013), 64 short cases from degE7 points.
    #[test]
    fn short_distances_match_the_geodesic() {
        let vectors: Value =
            serde_json::from_str(include_str!("../../../tests/vectors/geodesic.json")).unwrap();
        let mut checked = 0;
        for case in vectors["cases"].as_array().unwrap() {
            let Some(expected) = case["s12_from_degE7_m"].as_f64() else { continue };
            let degrees = |key: &str| case[key].as_f64().unwrap() / 1e7;
            let distance = horizontal_m(
                (degrees("lat1_degE7"), degrees("lon1_degE7")),
                (degrees("lat2_degE7"), degrees("lon2_degE7")),
            );
            assert!((distance - expected).abs() < 1e-4, "{}: {distance} {expected}", case["name"]);
            checked += 1;
        }
        assert!(checked >= 64, "only {checked} cases");
    }

    /// geographiclib 2.1: one second of latitude at the equator; and the GDA94 manual's long line
    /// Flinders Peak to Buninyong, which a local formula meets to a few centimetres.
    #[test]
    fn published_lines() {
        let second = horizontal_m((0.0, 0.0), (1.0 / 3600.0, 0.0));
        assert!((second - 30.715_076_6).abs() < 1e-4);
        let long = horizontal_m((-37.951_033_417, 144.424_867_889), (-37.652_821_139, 143.926_495_528));
        assert!((long - 54_972.271).abs() < 0.5, "{long}");
    }

    #[test]
    fn the_antimeridian_is_no_border() {
        let across = horizontal_m((10.0, 179.9999), (10.0, -179.9999));
        let elsewhere = horizontal_m((10.0, 20.0), (10.0, 20.0002));
        assert!((across - elsewhere).abs() < 1e-6);
    }

    #[test]
    fn slant_of_a_right_triangle() {
        assert!((slant_m(30.0, -40.0) - 50.0).abs() < 1e-12);
    }
}
