#![no_std]
#![deny(
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::float_arithmetic
)]
#![cfg_attr(
    test,
    allow(
        clippy::arithmetic_side_effects,
        clippy::indexing_slicing,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::float_arithmetic,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a test may stop where it stands, and computes its references in floating point"
    )
)]
//! The control core of Forewarm: it decides, once a step, whether a lithium iron phosphate bank may be charged and whether
//! its heater is on.
//!
//! Data goes one way, module by module:
//!
//! ```text
//!   signals::Inputs ──▶ sensing ──▶ controller ──▶ guard ──▶ signals::Outputs
//!                         rtd        power, giving   │
//!                                    contacts        └─▶ journal
//!        settings, fault: what all of them agree on;  quantity: in which units
//! ```
//!
//! [`unit::Unit`] is all of it as one thing to step. It has no clock, no I/O, no heap, no floating point; same inputs, same
//! outputs, bit for bit, on any machine.
//!
//! This controls an additional layer, never the only one: the battery's own protection stays in charge, and a thermal
//! cut-out that does not depend on this controller belongs in the heater circuit.

#[cfg(any(test, feature = "testing"))]
extern crate std;

mod button;
mod ceiling;
mod clock;
mod contacts;
pub mod controller;
mod cycles;
pub mod fault;
mod full;
pub mod giving;
pub mod guard;
#[cfg(test)]
mod invariants;
pub mod journal;
mod line;
mod overdue;
mod power;
pub mod quantity;
pub mod rtd;
mod run;
pub mod sensing;
pub mod settings;
pub mod signals;
#[cfg(test)]
mod tables;
#[cfg(any(test, feature = "testing"))]
#[allow(
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::unwrap_used,
    clippy::float_arithmetic,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "test support may stop where it stands, and computes its references in floating point"
)]
pub mod testing;
mod trial;
pub mod unit;
#[cfg(feature = "wire")]
pub mod wire;
