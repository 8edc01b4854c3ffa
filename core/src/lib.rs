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
//! The control core of Forewarm: it decides, once a step, whether a lithium iron phosphate bank may be charged and
//! whether its heater is on.
//!
//! It reads platinum thermometers in and around the bank. Cells that are charged while they are too cold are damaged,
//! and can become dangerous. So energy that is on offer first heats the cells; charge is permitted once they are warm.
//!
//! This controls an additional layer, never the only one: the battery's own protection stays in charge, and a thermal
//! cut-out that does not depend on this controller belongs in the heater circuit.
//!
//! # In a firmware of your own
//!
//! Say what is wired up, once. Then, about once a second, fill in what was measured, take a step, and set the relays as
//! it says.
//!
//! ```
//! use forewarm_core::quantity::{
//!     Celsius, Fraction, Instant, MilliampHours, Millivolts, Milliwatts, Ohms, Ratio,
//! };
//! use forewarm_core::rtd::{Element, Leads, Measured};
//! use forewarm_core::settings::{CeilingPoint, Channel, ChargeCurrent, Essentials, Role, Source};
//! use forewarm_core::signals::{Line, Relay, Sample, Sources};
//! use forewarm_core::{Inputs, Memory, Settings, Unit};
//!
//! // What only you know. Everything else has a default; change any field before `validate`.
//! let pt100 = |role| Channel::new(role, Element::pt100(), Ohms::from_milliohms(400_000), Leads::FourWire);
//! let point = |millidegrees, per_mille| CeilingPoint {
//!     at: Celsius::from_millidegrees(millidegrees),
//!     limit: Fraction::from_per_mille(per_mille),
//! };
//! let settings = Settings::from(Essentials {
//!     channels: [pt100(Role::Cell), pt100(Role::Pad)],
//!     capacity: MilliampHours::from_milliamp_hours(100_000),
//!     batteries: 1,
//!     // As the maker of the battery allows: 10 A at 5 °C, up to 50 A at 15 °C.
//!     ceiling: [point(5_000, 100), point(15_000, 500)],
//!     heater_power: Milliwatts::from_milliwatts(60_000),
//!     heater_nominal: Millivolts::from_millivolts(12_800),
//!     supply_min: Millivolts::from_millivolts(11_000),
//!     supply_max: Millivolts::from_millivolts(15_000),
//!     // A charger of 200 W whose current follows the ceiling.
//!     sources: [Source::new(Milliwatts::from_milliwatts(200_000), ChargeCurrent::Obeys)],
//! });
//! let mut unit = Unit::new(&settings.validate()?, Memory::default());
//!
//! // One step. The converter gives 15 bits: code ÷ 2¹⁵ of the 400 Ω against which it measures.
//! let mut seconds = 0;
//! let mut step = |cell: u32, pad: u32| {
//!     seconds += 1;
//!     let mut inputs = Inputs {
//!         supply: Some(Millivolts::from_millivolts(13_200)),
//!         bank: Some(Millivolts::from_millivolts(13_200)),
//!         sources: Sources::NONE.with(0),
//!         charge_line: Line::Allowed,
//!         discharge_line: Line::Allowed,
//!         ..Inputs::DEAD
//!     };
//!     for (channel, code) in inputs.channels.iter_mut().zip([cell, pad]) {
//!         *channel = Sample::Fresh(Measured::element(Ratio::from_code(code, 15)));
//!     }
//!     unit.step(Instant::from_millis(seconds * 1000), &inputs)
//! };
//!
//! // Two minutes at −5 °C, 98.0 Ω. The last digit moves: a converter whose last digit stands still is not believed.
//! let outputs = (0..120).map(|second| step(8_032 + second % 2, 8_032)).last().unwrap();
//! assert_eq!((outputs.heater, outputs.charge), (Relay::Closed, Relay::Open), "warm first");
//!
//! // The cells warm up by 0.03 K a second to 13 °C, 105.1 Ω, and stay there for half an hour.
//! (8_033..8_608).for_each(|code| {
//!     step(code, code);
//! });
//! let outputs = (0..1_800).map(|second| step(8_607 + second % 2, 8_608)).last().unwrap();
//! assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Closed), "then charge");
//! // 15.2 A: at 13 °C the cells may take 42 A, and 200 W give no more than this.
//! assert_eq!(outputs.ceiling.as_per_mille(), 152);
//! # Ok::<(), forewarm_core::settings::SettingsError>(())
//! ```
//!
//! Besides that a firmware
//!
//! - opens both relays before it does anything else, and whenever it stops stepping: use the watchdog;
//! - stores [`Unit::memory`] whenever it changes and starts with it after a reset, or latched faults would be forgotten;
//! - reports in [`Inputs::storage`] whether that worked;
//! - shows [`Outputs::alarm`], [`Outputs::state`] and [`Outputs::cause`]: each fault names what to check first.
//!
//! # Where to read on
//!
//! | | |
//! |---|---|
//! | [`Settings`] and [`settings::TABLE`] | what can be set, with range, default and meaning |
//! | [`Inputs`], [`Outputs`], [`signals`] | what goes in and comes out; every state, and what leads from one to the next |
//! | [`fault`] | every fault: what it takes away, what clears it, what to check first |
//! | [`Memory`], [`journal`] | what must survive a restart; what happened |
//! | [`rtd`], [`quantity`] | the thermometers, to be used alone too; units |
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
//! No clock, no I/O, no heap, no floating point, no `unsafe`, and no panic within reach of a step.
//!
//! # Features
//!
//! None is on by default. `serde`: everything that goes in, comes out or is kept can be stored and sent. `wire`: frames
//! and messages for a serial line, and settings as a record with a checksum. `defmt`: the same types can be logged.
//! `leap`: a host that knows what the readings will be gets over the steps that decide nothing in one call; no firmware
//! needs it. `layers`: a host steps with the controller or the guard left out, to see what each is worth. `testing`:
//! generators of installations and histories for tests; it needs `std`.
//!
#![doc = include_str!("../docs/promises.md")]
//!
#![doc = include_str!("../docs/safety.md")]
//!
#![doc = include_str!("../docs/glossary.md")]

#[cfg(any(test, feature = "testing"))]
extern crate std;

mod button;
mod ceiling;
mod clock;
mod contacts;
mod controller;
mod cycles;
#[cfg(test)]
mod every_state;
pub mod fault;
mod full;
mod giving;
mod guard;
#[cfg(test)]
mod invariants;
pub mod journal;
mod latches;
#[cfg(feature = "leap")]
pub mod leap;
mod line;
pub mod memory;
mod overdue;
mod power;
pub mod quantity;
pub mod rtd;
mod run;
mod sensing;
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
mod thresholds;
mod trial;
mod unit;
#[cfg(feature = "wire")]
pub mod wire;

pub use memory::Memory;
pub use settings::Settings;
pub use signals::{Inputs, Outputs};
#[cfg(feature = "layers")]
pub use unit::Layer;
pub use unit::Unit;
