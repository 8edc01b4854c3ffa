//! Runs the firmware's image on an emulated processor, in a closed loop with the plant and in step with the rehearsal.
//!
//! ```text
//!            ┌─ qemu-system-arm ─────────────┐
//!  service ──┤ serial port 0                 │   settings, and who it is
//!  log     ◀─┤ serial port 1   image         │   what it has to say about itself
//!  rig     ◀─┤ serial port 2                 │   pins and outputs, and what storage is asked
//!  rig     ─▶┤ memory                        │   codes and levels, and what storage answers
//!            └───────────────────────────────┘
//! ```
//!
//! For each order and each answer of the board, the emulator changes several times between its threads. So [`rig`]
//! sends many steps in one order.
//!
//! | module | holds |
//! |---|---|
//! | [`image`] | the check of the file before it is run |
//! | [`board`] | a board that is on: the machine, and whoever is at its lines |
//! | [`machine`] | the emulator as a process, and the lines to it |
//! | [`monitor`] | the emulator's own two lines: to reset the processor, to read and write its memory |
//! | [`leash`] | processes that end with the thread that started them |
//! | [`mod@line`] | frames over a line |
//! | [`patience`] | how long an answer may take |
//! | `inbox` | the way into the board, through its memory |
//! | [`rig`] | the world's side of the link |
//! | [`flash`] | the board's storage, with power cuts and wear on request |
//! | [`sense`] | signals that make the board see given inputs |
//! | [`service`] | the service line, which takes the settings |
//! | [`lockstep`] | a season played by the board and by the core beside it |
//! | [`report`] | the result of that season |

pub mod board;
pub mod flash;
pub mod image;
mod inbox;
pub mod leash;
pub mod line;
pub mod lockstep;
pub mod machine;
pub mod monitor;
pub mod patience;
pub mod report;
pub mod rig;
pub mod sense;
pub mod service;

#[cfg(test)]
mod testing;
