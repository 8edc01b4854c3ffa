//! Sizing.
pub mod conductor;
