//! Where bytes come from: each chunk stamped on arrival.
