//! Library of the `forewarm` command: reads what a fitter writes, runs the control core over it, and says what came out.
//!
//! | module | holds |
//! |---|---|
//! | [`cautions`] | what every document says once, and briefly |
//! | [`decimal`] | numbers as people write them, exact |
//! | [`diagnostic`] | what is wrong, where, why, and what to try: one shape for every message |
//! | [`output`] | files written whole or not at all |
//! | [`installation`] | the installation file: reading it, checking it, writing a first one |
//! | [`replay`] | the controller driven by a log: what it would have decided, and why |
//! | [`table`] | resistance against temperature, with tolerances |

pub mod cautions;
pub mod decimal;
pub mod diagnostic;
pub mod installation;
pub mod output;
pub mod replay;
pub mod table;
