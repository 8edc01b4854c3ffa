//! The firmware's image, run on an emulated processor: what it decides is what the core decides on this machine, bit for bit, and
//! nothing that comes over its lines or happens to its power makes it unsafe.
//!
//! | module | holds |
//! |---|---|
//! | `bench` | the board under test, from the build of its image to what it answers |
//! | `winter` | a million steps of a winter, in the same loop as a rehearsal |
//! | `histories` | generated histories of faults, and the promises on safety |
//! | `power` | hangs, resets and cuts of the power |
//! | `input` | what is wrong on the lines, in the converter and in storage |
//! | `breakdowns` | what breaks down, what is found, what stays off and what comes back |

mod bench;
mod breakdowns;
mod histories;
mod input;
mod power;
mod winter;
