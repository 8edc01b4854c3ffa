//! Sends what is heard to a broker (MQTT 3.1.1), for whoever subscribes there.
//!
//! | topic, after what the address has | what | kept by the broker |
//! |---|---|---|
//! | `online` | `true`, or `false` once this program has ended or gone | yes |
//! | `state` | the [`View`] as JSON, the latest at each moment | yes |
//! | `event` | each event that the controller has kept, at least once, in order | no |
//!
//! One message is on its way at a time: its acknowledgement can belong to nothing else. Of states only the latest is
//! sent. Events wait in `outbox` for as long as it takes. Nothing is subscribed to, so nobody can say anything
//! to this program from there.

mod outbox;
pub mod target;

use super::view::View;
use crate::diagnostic::Problem;
use crate::service::store::NotKept;
use crate::threads;
use outbox::{Event, Outbox};
use rumqttc::{AsyncClient, ConnectReturnCode, ConnectionError, EventLoop, LastWill, Packet, QoS, TlsError};
use std::convert::Infallible;
use std::io::ErrorKind;
use std::path::Path;
use std::thread::JoinHandle;
use std::time::Duration;
use target::Target;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{sleep, timeout};

/// The broker is asked so often whether it is still there. It waits half as long again before it counts us as gone.
const KEEP_ALIVE: Duration = Duration::from_secs(20);

/// The first wait after a failure, and the longest.
const WAITS: (Duration, Duration) = (Duration::from_secs(1), Duration::from_mins(1));

/// The file is asked so often for events that have come.
const LOOK: Duration = Duration::from_secs(5);

/// How long saying farewell may take.
const FAREWELL: Duration = Duration::from_secs(1);

/// A running publisher. It ends when this is dropped.
#[derive(Debug)]
pub struct Publisher {
    stop: Option<oneshot::Sender<Infallible>>,
    thread: Option<JoinHandle<()>>,
}

impl Publisher {
    /// Sends to `target` what `views` shows, and the events that are kept at `kept`. Troubles are told to `tell`, each once
    /// until it is over, and nothing once it is.
    ///
    /// # Errors
    /// If the file takes no note of how far the broker is, or the system gives no thread.
    pub fn start(
        target: Target,
        views: watch::Receiver<View>,
        kept: &Path,
        mut tell: impl FnMut(&Target, Option<&Problem>) + Send + 'static,
    ) -> Result<Self, Problem> {
        let (host, port) = &target.place;
        let outbox = Outbox::open(kept, &format!("{host}:{port}/{}", target.topics))
            .map_err(|not_kept| of_the_file(kept, &not_kept))?;
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build().map_err(|error| {
                Problem::error(&target.to_string(), format!("cannot be talked to: {error}"))
                    .of_use()
                    .remedy("end other programs")
            })?;
        let (stop, stopped) = oneshot::channel();
        let kept = kept.to_owned();
        let publishes = threads::named("publish").spawn(move || {
            runtime.block_on(async {
                let mut talk = Talk::begin(&target, outbox, views);
                let mut told: Option<Option<Box<str>>> = None;
                let mut report = |problem: Option<Problem>| {
                    let message = problem.as_ref().map(|problem| problem.message.clone());
                    if told.as_ref() != Some(&message) {
                        tell(&target, problem.as_ref());
                        told = Some(message);
                    }
                };
                tokio::select! {
                    () = talk.go_on(&target, &kept, &mut report) => {}
                    _ = stopped => {}
                }
                let _ = timeout(FAREWELL, talk.end(&target)).await;
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

/// What happens at the broker's end.
type Happened = Result<Packet, ConnectionError>;

/// A message that is on its way.
#[derive(Debug)]
enum OnItsWay {
    Online,
    State,
    Event(Event),
}

/// One broker, and what it has of us.
struct Talk {
    client: AsyncClient,
    happened: mpsc::Receiver<Happened>,
    views: watch::Receiver<View>,
    outbox: Outbox,
    is_connected: bool,
    is_online: bool,
    has_state: bool,
    on_its_way: Option<OnItsWay>,
}

impl Talk {
    fn begin(target: &Target, outbox: Outbox, views: watch::Receiver<View>) -> Self {
        // Two clients of one name would throw each other out.
        let mut options = target.options(format!("forewarm-{:016x}", rand::random::<u64>()));
        options.set_keep_alive(KEEP_ALIVE).set_clean_session(true);
        let online = topic(target, "online");
        options.set_last_will(LastWill::new(online, "false", QoS::AtLeastOnce, true));
        let (client, connection) = AsyncClient::new(options, 4);
        let (tell, happened) = mpsc::channel(16);
        // The connection is never left in the middle of something, whatever happens beside it.
        tokio::spawn(attend(connection, tell));
        Self {
            client,
            happened,
            views,
            outbox,
            is_connected: false,
            is_online: false,
            has_state: false,
            on_its_way: None,
        }
    }

    /// Sends for as long as somebody listens.
    async fn go_on(&mut self, target: &Target, kept: &Path, report: &mut impl FnMut(Option<Problem>)) {
        loop {
            let sent = self.send_next(target);
            if let Err(not_kept) = &sent {
                report(Some(of_the_file(kept, not_kept)));
            }
            tokio::select! {
                happened = self.happened.recv() => match happened {
                    None => return,
                    Some(Ok(Packet::ConnAck(_))) => {
                        // A new connection knows nothing of the one before.
                        (self.is_connected, self.is_online, self.has_state, self.on_its_way) = (true, false, false, None);
                        report(None);
                    }
                    Some(Ok(Packet::PubAck(_))) => self.is_acknowledged(kept, report),
                    Some(Ok(_)) => {}
                    Some(Err(error)) => {
                        self.is_connected = false;
                        self.on_its_way = None;
                        report(Some(of_the_broker(target, &error)));
                    }
                },
                changed = self.views.changed() => match changed {
                    Ok(()) => self.has_state = false,
                    // The listening is over.
                    Err(_) => return,
                },
                () = sleep(LOOK) => {}
            }
        }
    }

    fn is_acknowledged(&mut self, kept: &Path, report: &mut impl FnMut(Option<Problem>)) {
        if let Some(OnItsWay::Event(event)) = self.on_its_way.take()
            && let Err(not_kept) = self.outbox.acknowledge(&event)
        {
            // It goes out again, which is allowed.
            report(Some(of_the_file(kept, &not_kept)));
        }
    }

    /// Puts the next message on its way, if there is one and nothing else is.
    fn send_next(&mut self, target: &Target) -> Result<(), NotKept> {
        if !self.is_connected || self.on_its_way.is_some() {
            return Ok(());
        }
        let (name, retain, text, what) = if !self.is_online {
            ("online", true, "true".to_owned(), OnItsWay::Online)
        } else if !self.has_state {
            let state = serde_json::to_string(&*self.views.borrow_and_update()).unwrap_or_default();
            ("state", true, state, OnItsWay::State)
        } else if let Some(event) = self.outbox.next()? {
            ("event", false, serde_json::to_string(&event).unwrap_or_default(), OnItsWay::Event(event))
        } else {
            return Ok(());
        };
        // There is room for several, and there is never more than one.
        if self.client.try_publish(topic(target, name), QoS::AtLeastOnce, retain, text).is_ok() {
            self.is_online = true;
            self.has_state |= matches!(what, OnItsWay::State);
            self.on_its_way = Some(what);
        }
        Ok(())
    }

    /// Says farewell, so that nobody waits for the broker to notice.
    async fn end(mut self, target: &Target) {
        if self.is_connected {
            let _ = self.client.publish(topic(target, "online"), QoS::AtLeastOnce, true, "false").await;
            let _ = self.client.disconnect().await;
            while let Some(Ok(_)) = self.happened.recv().await {}
        }
    }
}

fn topic(target: &Target, name: &str) -> String {
    format!("{}/{name}", target.topics)
}

/// Keeps the connection, and opens it again after a while when it is lost.
async fn attend(mut connection: EventLoop, tell: mpsc::Sender<Happened>) {
    let mut wait = WAITS.0;
    loop {
        let happened = match connection.poll().await {
            Ok(rumqttc::Event::Incoming(packet)) => Ok(packet),
            Ok(rumqttc::Event::Outgoing(_)) => continue,
            Err(error) => Err(error),
        };
        let has_failed = happened.is_err();
        if matches!(happened, Ok(Packet::ConnAck(_))) {
            wait = WAITS.0;
        }
        if tell.send(happened).await.is_err() {
            return;
        }
        if has_failed {
            sleep(wait).await;
            wait = (wait * 2).min(WAITS.1);
        }
    }
}

fn of_the_file(kept: &Path, NotKept { message, remedy }: &NotKept) -> Problem {
    Problem::error(&kept.display().to_string(), message.clone()).of_use().remedy(*remedy)
}

fn of_the_broker(target: &Target, error: &ConnectionError) -> Problem {
    let problem = |message: String, remedy: &str| Problem::error(&target.to_string(), message).of_use().remedy(remedy);
    let unheard = |error: &std::io::Error| match error.kind() {
        ErrorKind::ConnectionRefused => {
            problem("nobody answers there".to_owned(), "start the broker, or another address")
        }
        ErrorKind::InvalidData => untrusted(target, &error.to_string()),
        _ => problem(format!("cannot be reached: {error}"), "whether the network is there; it is tried again"),
    };
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => problem("refuses this user or this password".to_owned(), "the user in the address, and --password-file"),
        ConnectionError::ConnectionRefused(code) => problem(format!("refuses us: {code:?}"), "the log of the broker"),
        ConnectionError::Io(error) | ConnectionError::Tls(TlsError::Io(error)) => unheard(error),
        ConnectionError::Tls(error) => untrusted(target, &error.to_string()),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            problem("does not answer in time".to_owned(), "whether the network is there; it is tried again")
        }
        ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_) | ConnectionError::RequestsDone => {
            problem(format!("the connection is lost: {error}"), "nothing; it is tried again")
        }
    }
}

fn untrusted(target: &Target, detail: &str) -> Problem {
    Problem::error(&target.to_string(), format!("cannot show that it is who it should be: {detail}"))
        .of_use()
        .remedy("--ca-file with the certificate of whoever has signed the broker's")
}
