//! What is built for bare metal and run nowhere here. Libraries and images are built in different profiles, so that cargo builds one of
//! each at a time; tests run in the order of their names, and the modules are named so that one of each is next.
//!
//! | module | holds |
//! |---|---|
//! | `boards` | the images of the boards that cannot be run: where their parts lie |
//! | `control_path` | what a step can reach in machine code |
//! | `cross_build` | the libraries, for each processor and feature set |
//! | `port` | the port to copy |

mod boards;
mod control_path;
mod cross_build;
mod port;
