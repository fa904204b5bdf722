//! The command line's way in.

fn main() {}
