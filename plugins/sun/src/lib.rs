//! Where the sun stands.
