//! Values in the order in which they came.

pub mod block_mean;
pub mod change_point;
pub mod coincidence;
pub mod correlation;
pub mod loss_runs;
pub mod periodogram;
pub mod rank_correlation;
pub mod spectral_peaks;
pub mod tick_phase;
pub mod welch;
