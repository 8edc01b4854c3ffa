//! What must hold whatever bytes come in. Each oracle takes bytes, makes of them what it judges, and panics where a
//! promise is broken.
//!
//! | oracle | the bytes are | what must hold |
//! |---|---|---|
//! | [`settings()`] | a record of settings, behind a right checksum | it is refused with a place, or read, checked and written again alike |
//! | [`frames()`] | what comes over the service line | both ends find the frames that a plain reader finds, and the next good one |
//! | [`pages()`] | calls to the storage, cuts of the power, damage | what was kept is there, before or after; it can always be written again |
//! | [`log()`] | a log | both ways of reading its rows give the same |
//! | [`installation()`] | an installation file | it is refused with a place, or planned with finite numbers |
//! | [`steps()`] | settings, and what happens to an installation | the promises of the core, by its plain model |
//!
//! A fuzzer calls them from `tests/fuzz`. The cases that it found worth keeping are in `corpora`, and every test run
//! plays them.

mod bytes;
pub mod corpus;
mod drawn;
mod flash;
mod frames;
mod installation;
mod log;
mod pages;
mod settings;
mod steps;
mod world;

pub use frames::frames;
pub use installation::installation;
pub use log::log;
pub use pages::pages;
pub use settings::settings;
pub use steps::steps;

/// An oracle.
pub type Oracle = fn(&[u8]);

/// All of them, by name.
pub const ALL: [(&str, Oracle); 6] = [
    ("frames", frames),
    ("installation", installation),
    ("log", log),
    ("pages", pages),
    ("settings", settings),
    ("steps", steps),
];
