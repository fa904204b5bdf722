//! Short distances on the WGS84 ellipsoid.
