//! What pages are built of. Each widget takes finished figures and an area, scales
//! and draws; none computes a figure, and none panics, however small the area.

pub mod axis;
pub mod big;
pub mod dots;
pub mod histogram;
pub mod panel;
pub mod pen;
pub mod plot;
pub mod scale;
pub mod strip;
pub mod trend;
