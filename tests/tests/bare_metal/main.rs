//! Builds for bare metal that do not run here. Libraries and images are built in different profiles, and cargo builds
//! one of each at a time. Tests run in the order of their names, and the names of the modules make the two kinds
//! alternate.
//!
//! | module | holds |
//! |---|---|
//! | `boards` | the images of boards that cannot run here: where their parts lie |
//! | `control_path` | what a step can reach in machine code |
//! | `cross_build` | the libraries, for each processor and feature set |
//! | `port` | the port to copy |

mod boards;
mod control_path;
mod cross_build;
mod port;
