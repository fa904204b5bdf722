//! The median of pairwise slopes.
