//! The picture of a replay: temperatures, and beneath them what was on when.

mod draw;
mod trace;

pub(super) use draw::{Picture, html, svg};
pub(super) use trace::Trace;
