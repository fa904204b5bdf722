//! Level against log distance; free-space loss.
