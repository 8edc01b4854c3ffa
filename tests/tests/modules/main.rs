//! Runs the file for the board of modules, as it is dropped on the module, on an emulated RP2040. Around it are models of
//! the converter chips, written from their data sheet, lines, relays and flash memory.
//!
//! | module | holds |
//! |---|---|
//! | `bench` | the board under test, from the build of its file to its answers |
//! | `a_winter` | twenty thousand steps of a winter: the board decides what the core decides on what the converters showed |
//! | `thermometers` | readings over the range, and every way in which a thermometer, its wires or its converter fail |
//! | `first_power` | a new board: no settings, settings by the service line, settings that do not suit it |
//! | `image` | an image that is not what was built |
//! | `stack` | how much of its stack the program uses |
//! | `power` | hangs, resets, cuts of the power in every write |
#![cfg(unix)]

mod a_winter;
mod bench;
mod first_power;
mod image;
mod power;
mod stack;
mod thermometers;
