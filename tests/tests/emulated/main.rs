//! Runs the firmware's image on an emulated processor. It decides what the core decides on this machine, bit for bit.
//! Nothing on its lines and nothing that happens to its power makes it unsafe.
//!
//! Tests start in the order of their names. A long one has a name that comes first, so that it does not run alone in the
//! end.
//!
//! | module | holds |
//! |---|---|
//! | `running` | the board under test, from the build of its image to its answers |
//! | `a_winter` | a million steps of a winter, in the same loop as a rehearsal |
//! | `histories` | generated histories of faults, and the promises on safety |
//! | `power` | hangs, resets and cuts of the power |
//! | `input` | errors on the lines, in the converter and in storage |
//! | `breakdowns` | what breaks down, what is found, what stays off and what comes back |

mod a_winter;
mod breakdowns;
mod histories;
mod input;
mod power;
mod running;
