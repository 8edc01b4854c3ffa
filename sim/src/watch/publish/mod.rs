//! Sends what is heard to others over a network, as messages of an open standard.
//!
//! ```text
//! view ─┬─▶ mqtt     to a broker: the state, and every event
//!       └─▶ signalk  to a server or a display on a boat: the state
//! ```
//!
//! `target` reads where to. Each has a thread of its own. It is never waited for, and whatever comes back stays there: nobody can
//! say anything to this program from there. One that is away is tried again, at first soon and then more rarely.

mod mqtt;
mod outbox;
mod signalk;
pub mod target;

use super::view::View;
use crate::diagnostic::Problem;
use crate::threads;
use outbox::Outbox;
use std::convert::Infallible;
use std::fmt::Display;
use std::io::{self, ErrorKind};
use std::path::Path;
use std::thread::JoinHandle;
use std::time::Duration;
use target::{Broker, Server};
use tokio::sync::{oneshot, watch};
use tokio::time::{sleep, timeout};

/// The first wait after a failure, and the longest.
const WAITS: (Duration, Duration) = (Duration::from_secs(1), Duration::from_mins(1));

/// How long saying farewell may take.
const FAREWELL: Duration = Duration::from_secs(1);

/// A running publisher. It ends when this is dropped.
#[derive(Debug)]
pub struct Publisher {
    stop: Option<oneshot::Sender<Infallible>>,
    thread: Option<JoinHandle<()>>,
}

impl Publisher {
    /// Sends to `broker` what `views` shows, and the events that are kept at `kept`. Troubles are told to `tell`, each once
    /// until it is over, and nothing once it is.
    ///
    /// # Errors
    /// If the file takes no note of how far the broker is, or the system gives no thread.
    pub fn to_broker(
        broker: Broker,
        views: watch::Receiver<View>,
        kept: &Path,
        tell: impl FnMut(Option<&Problem>) + Send + 'static,
    ) -> Result<Self, Problem> {
        let (host, port) = &broker.place;
        let outbox = Outbox::open(kept, &format!("{host}:{port}/{}", broker.topics))
            .map_err(|not_kept| mqtt::of_the_file(kept, &not_kept))?;
        let kept = kept.to_owned();
        Self::start(&broker.to_string(), tell, move || mqtt::Talk::begin(broker, kept, outbox, views))
    }

    /// Sends to `server` what `views` shows. Troubles are told to `tell`, each once until it is over, and nothing once it is.
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn to_server(
        server: Server,
        views: watch::Receiver<View>,
        tell: impl FnMut(Option<&Problem>) + Send + 'static,
    ) -> Result<Self, Problem> {
        Self::start(&server.to_string(), tell, move || signalk::Talk::begin(server, views))
    }

    /// Talks on a thread of its own. `begin` is called there.
    fn start<T: Talk>(
        shown: &str,
        tell: impl FnMut(Option<&Problem>) + Send + 'static,
        begin: impl FnOnce() -> T + Send + 'static,
    ) -> Result<Self, Problem> {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build().map_err(|error| {
                Problem::error(shown, format!("cannot be talked to: {error}")).of_use().remedy("end other programs")
            })?;
        let (stop, stopped) = oneshot::channel();
        let mut report = Report { tell: Box::new(tell), told: Told::Nothing };
        let publishes = threads::named("publish").spawn(move || {
            runtime.block_on(async {
                let mut talk = begin();
                tokio::select! {
                    () = talk.go_on(&mut report) => {}
                    _ = stopped => {}
                }
                let _ = timeout(FAREWELL, talk.end()).await;
            });
            runtime.shutdown_background();
        });
        let thread = publishes.map_err(|error| threads::not_started(&error))?;
        Ok(Self { stop: Some(stop), thread: Some(thread) })
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // A panic in it has been printed already.
            let _ = thread.join();
        }
    }
}

/// What is said to one target.
trait Talk {
    /// Sends for as long as somebody listens to the controller.
    async fn go_on(&mut self, report: &mut Report);

    /// Says farewell.
    async fn end(self);
}

/// Whoever is told how it stands with a target.
type Tell = dyn FnMut(Option<&Problem>) + Send;

/// Passes on how it stands with a target, if that is news.
struct Report {
    tell: Box<Tell>,
    told: Told,
}

/// What was passed on last.
#[derive(PartialEq, Eq)]
enum Told {
    Nothing,
    Well,
    Trouble(Box<str>),
}

impl Report {
    /// Something is wrong.
    fn trouble(&mut self, problem: &Problem) {
        self.pass_on(Told::Trouble(problem.message.clone()), Some(problem));
    }

    /// Nothing is.
    fn well(&mut self) {
        self.pass_on(Told::Well, None);
    }

    fn pass_on(&mut self, news: Told, problem: Option<&Problem>) {
        if self.told != news {
            (self.tell)(problem);
            self.told = news;
        }
    }
}

/// Waits that grow.
struct Wait(Duration);

impl Default for Wait {
    fn default() -> Self {
        Self(WAITS.0)
    }
}

impl Wait {
    async fn pass(&mut self) {
        sleep(self.0).await;
        self.0 = (self.0 * 2).min(WAITS.1);
    }
}

/// Nothing gets to `target`, which is `whom`.
fn not_reached(target: &impl Display, whom: &str, error: &io::Error) -> Problem {
    let problem = |message: String, remedy: &str| Problem::error(&target.to_string(), message).of_use().remedy(remedy);
    match error.kind() {
        ErrorKind::ConnectionRefused => {
            problem("nobody answers there".to_owned(), &format!("start {whom}, or another address"))
        }
        ErrorKind::TimedOut => {
            problem("does not answer in time".to_owned(), "whether the network is there; it is tried again")
        }
        _ => {
            let remedy = "the name in the address, and whether the network is there; it is tried again";
            problem(format!("cannot be reached: {error}"), remedy)
        }
    }
}
