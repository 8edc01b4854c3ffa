#![no_std]
#![forbid(unsafe_code)]
//! The control core on a microcontroller: what a board must offer, and the one loop that runs on it.
//!
//! It has no rule of behaviour. [`App`] measures, steps the core's [`Unit`](forewarm_core::Unit), drives the
//! outputs, keeps what must survive a restart, answers on the service line and feeds the watchdog. Only the core
//! decides the outputs.
//!
//! ```text
//!   converter ─▶ front_end ─┐                        ┌─▶ pins, lamp
//!   pins ─▶ lines ──────────┼─▶ Inputs ─▶ Unit ─▶ Outputs
//!   meters ─────────────────┘                        ├─▶ archive ─▶ kept ─▶ storage
//!                                                    └─▶ service ─▶ serial line
//! ```
//!
//! All relays rest open. When the board is unpowered or in reset, and within the watchdog's time after every failure
//! of this code, charge is refused and the heater is off. A program for a board adds what this library cannot: it
//! compares its image with its [`seal`] before it begins, and has handlers for panics and for faults of the processor
//! that open all relays and wait for the watchdog. The thermal cut-out in the heater circuit needs no
//! software.

#[cfg(test)]
extern crate std;

mod app;
mod archive;
pub mod board;
mod countdown;
pub mod front_end;
mod kept;
mod lamp;
mod lines;
mod log;
pub mod max31865;
#[cfg(feature = "testing")]
pub mod probe;
pub mod seal;
mod service;
#[cfg(test)]
mod testing;
mod upload;
pub mod wiring;

pub use app::{App, CAUTION, OutputStuck};
