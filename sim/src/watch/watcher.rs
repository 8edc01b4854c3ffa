//! Stands between the listener and whoever is shown what it hears, and keeps the [`View`] of it up to date.

use super::view::{Names, View};
use crate::service::listen::{Said, Show};
use std::ops::ControlFlow;
use tokio::sync::watch;

/// Passes on what is said, and leaves a view of it for others.
#[derive(Debug)]
pub struct Watcher<S> {
    inner: S,
    names: Option<Names>,
    latest: watch::Sender<View>,
}

impl<S: Show> Watcher<S> {
    /// Passes on to `inner`. Channels and sources go by `names`, if the controller's are those.
    pub fn new(inner: S, names: Option<Names>) -> Self {
        Self { inner, names, latest: watch::Sender::new(View::default()) }
    }

    /// The latest view, for as many as want to look at it. One who looks seldom misses those in between.
    pub fn views(&self) -> watch::Receiver<View> {
        self.latest.subscribe()
    }

    /// Hands back what it passed on to.
    pub fn into_inner(self) -> S {
        self.inner
    }
}

impl<S: Show> Show for Watcher<S> {
    fn show(&mut self, said: &Said<'_>) -> ControlFlow<()> {
        let Self { names, latest, .. } = self;
        latest.send_if_modified(|view| view.hear(said, names.as_ref()));
        self.inner.show(said)
    }
}
