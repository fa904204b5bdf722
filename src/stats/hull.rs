//! The line under all points: lower convex hull.
