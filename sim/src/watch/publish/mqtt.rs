//! To a broker (MQTT 3.1.1), for whoever subscribes there.
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

use super::outbox::{Event, Outbox};
use super::target::Broker;
use super::{Report, Wait, not_reached};
use crate::diagnostic::Problem;
use crate::service::store::NotKept;
use crate::watch::view::View;
use rumqttc::{AsyncClient, ConnectReturnCode, ConnectionError, EventLoop, LastWill, Packet, QoS, TlsError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::sleep;

/// The broker is asked so often whether it is still there. It waits half as long again before it counts us as gone.
const KEEP_ALIVE: Duration = Duration::from_secs(20);

/// The file is asked so often for events that have come.
const LOOK: Duration = Duration::from_secs(5);

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
pub(super) struct Talk {
    broker: Broker,
    kept: PathBuf,
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
    pub(super) fn begin(broker: Broker, kept: PathBuf, outbox: Outbox, views: watch::Receiver<View>) -> Self {
        // Two clients of one name would throw each other out.
        let mut options = broker.options(format!("forewarm-{:016x}", rand::random::<u64>()));
        options.set_keep_alive(KEEP_ALIVE).set_clean_session(true);
        let online = topic(&broker, "online");
        options.set_last_will(LastWill::new(online, "false", QoS::AtLeastOnce, true));
        let (client, connection) = AsyncClient::new(options, 4);
        let (tell, happened) = mpsc::channel(16);
        // The connection is never left in the middle of something, whatever happens beside it.
        tokio::spawn(attend(connection, tell));
        Self {
            broker,
            kept,
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

    fn is_acknowledged(&mut self, report: &mut Report) {
        if let Some(OnItsWay::Event(event)) = self.on_its_way.take()
            && let Err(not_kept) = self.outbox.acknowledge(&event)
        {
            // It goes out again, which is allowed.
            report.trouble(&of_the_file(&self.kept, &not_kept));
        }
    }

    /// Puts the next message on its way, if there is one and nothing else is.
    fn send_next(&mut self) -> Result<(), NotKept> {
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
        if self.client.try_publish(topic(&self.broker, name), QoS::AtLeastOnce, retain, text).is_ok() {
            self.is_online = true;
            self.has_state |= matches!(what, OnItsWay::State);
            self.on_its_way = Some(what);
        }
        Ok(())
    }
}

impl super::Talk for Talk {
    async fn go_on(&mut self, report: &mut Report) {
        loop {
            if let Err(not_kept) = self.send_next() {
                report.trouble(&of_the_file(&self.kept, &not_kept));
            }
            tokio::select! {
                happened = self.happened.recv() => match happened {
                    None => return,
                    Some(Ok(Packet::ConnAck(_))) => {
                        // A new connection knows nothing of the one before.
                        (self.is_connected, self.is_online, self.has_state, self.on_its_way) = (true, false, false, None);
                        report.well();
                    }
                    Some(Ok(Packet::PubAck(_))) => self.is_acknowledged(report),
                    Some(Ok(_)) => {}
                    Some(Err(error)) => {
                        self.is_connected = false;
                        self.on_its_way = None;
                        report.trouble(&of_the_broker(&self.broker, &error));
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

    /// Nobody has to wait for the broker to notice.
    async fn end(mut self) {
        if self.is_connected {
            let _ = self.client.publish(topic(&self.broker, "online"), QoS::AtLeastOnce, true, "false").await;
            let _ = self.client.disconnect().await;
            while let Some(Ok(_)) = self.happened.recv().await {}
        }
    }
}

fn topic(broker: &Broker, name: &str) -> String {
    format!("{}/{name}", broker.topics)
}

/// Keeps the connection, and opens it again after a while when it is lost.
async fn attend(mut connection: EventLoop, tell: mpsc::Sender<Happened>) {
    let mut wait = Wait::default();
    loop {
        let happened = match connection.poll().await {
            Ok(rumqttc::Event::Incoming(packet)) => Ok(packet),
            Ok(rumqttc::Event::Outgoing(_)) => continue,
            Err(error) => Err(error),
        };
        let has_failed = happened.is_err();
        if matches!(happened, Ok(Packet::ConnAck(_))) {
            wait = Wait::default();
        }
        if tell.send(happened).await.is_err() {
            return;
        }
        if has_failed {
            wait.pass().await;
        }
    }
}

pub(super) fn of_the_file(kept: &Path, NotKept { message, remedy }: &NotKept) -> Problem {
    Problem::error(&kept.display().to_string(), message.clone()).of_use().remedy(*remedy)
}

fn of_the_broker(broker: &Broker, error: &ConnectionError) -> Problem {
    let problem = |message: String, remedy: &str| Problem::error(&broker.to_string(), message).of_use().remedy(remedy);
    let unheard = |error: &std::io::Error| match error.kind() {
        ErrorKind::InvalidData => untrusted(broker, &error.to_string()),
        _ => not_reached(broker, "the broker", error),
    };
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => problem("refuses this user or this password".to_owned(), "the user in the address, and --password-file"),
        ConnectionError::ConnectionRefused(code) => problem(format!("refuses us: {code:?}"), "the log of the broker"),
        ConnectionError::Io(error) | ConnectionError::Tls(TlsError::Io(error)) => unheard(error),
        ConnectionError::Tls(error) => untrusted(broker, &error.to_string()),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            problem("does not answer in time".to_owned(), "whether the network is there; it is tried again")
        }
        ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_) | ConnectionError::RequestsDone => {
            problem(format!("the connection is lost: {error}"), "nothing; it is tried again")
        }
    }
}

fn untrusted(broker: &Broker, detail: &str) -> Problem {
    Problem::error(&broker.to_string(), format!("cannot show that it is who it should be: {detail}"))
        .of_use()
        .remedy("--ca-file with the certificate of whoever has signed the broker's")
}
