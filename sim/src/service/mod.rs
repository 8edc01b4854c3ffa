//! The host's side of the service line: what a fitter's computer hears from a controller, keeps, and sends to it.
//!
//! ```text
//! address ─▶ port ─▶ reader ─▶ link ─┬─▶ listen ─┬─▶ words          one line a change
//!                      │             │           └─▶ store ─▶ log   kept, exported, replayed
//!                    seems           └─▶ send                       other settings, with a hand at the button
//! ```
//!
//! The controller decides and is never asked to: over this line the host reads everything and changes nothing, except
//! the settings, and those only while somebody holds the button. The words of the line are the core's
//! ([`forewarm_core::wire`]).

pub mod address;
pub mod attend;
pub mod clock;
pub mod differences;
pub mod heard;
pub mod json;
pub mod link;
pub mod listen;
pub mod port;
pub mod reader;
pub mod seems;
pub mod send;
pub mod store;
#[cfg(test)]
pub(crate) mod testing;
pub mod words;
pub mod written;
