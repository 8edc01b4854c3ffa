//! Watching from afar: what a listener hears, for people and machines that are elsewhere.
//!
//! ```text
//! listen ─▶ watcher ─▶ view ─┬─▶ serve    a page, over HTTP
//!                            └─▶ publish  messages of open standards
//! ```
//!
//! Everything here reads. Nobody who watches can change a setting, and nobody who stalls holds up the listening: the
//! listener leaves its [`View`](view::View) where the others find it, and never waits for them.

pub mod place;
pub mod publish;
pub mod serve;
pub mod token;
pub mod view;
pub mod watcher;
