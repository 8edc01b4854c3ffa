//! Checks that cross the crates.
