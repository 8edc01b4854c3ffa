//! To a server of Signal K, or a display that hears it: the state of things, over TCP or UDP.
//!
//! Over TCP each delta is a line that ends in CR LF, as the specification's chapter on streaming demands; over UDP a datagram.
//! All is said when the connection opens and once a minute; values at each message of the controller; faults when they change.
//! There is no queue: what was not said in time is replaced by what holds now.

mod delta;

use super::target::{By, Server};
use super::{Report, WAITS, Wait, not_reached};
use crate::diagnostic::Problem;
use crate::watch::view::{OLD, View};
use delta::{Deltas, Hearing};
use std::convert::Infallible;
use std::io::{self, ErrorKind};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::{Duration, Instant};
use tokio::io::AsyncWriteExt;
use tokio::net::{TcpSocket, TcpStream, UdpSocket, lookup_host};
use tokio::sync::watch;
use tokio::task::yield_now;
use tokio::time::{interval, sleep, timeout};

/// How long may pass until a name is found, until an address gives a connection, or until what is said at once is read.
const PATIENCE: Duration = Duration::from_secs(10);

/// All is said again so often.
const ANEW: Duration = Duration::from_mins(1);

/// It is looked so often whether the state is old.
const LOOK: Duration = Duration::from_secs(5);

/// Bytes that may wait for a reader. With more, one who has stopped reading would be found out late, and one who is slow would
/// read what holds no more.
const WAITING_BYTES: u32 = 32 * 1024;

/// One server, and what it has been told.
pub(super) struct Talk {
    server: Server,
    views: watch::Receiver<View>,
    deltas: Deltas,
    began: Instant,
    link: Option<Link>,
}

/// Why a connection is not used any more.
enum Leave {
    Lost(io::Error),
    /// Nobody listens to the controller any more.
    Over,
}

impl From<io::Error> for Leave {
    fn from(error: io::Error) -> Self {
        Self::Lost(error)
    }
}

impl Talk {
    pub(super) fn begin(server: Server, views: watch::Receiver<View>) -> Self {
        let deltas = Deltas::of(&server.bank);
        Self { server, views, deltas, began: Instant::now(), link: None }
    }

    /// Talks over one connection for as long as it lasts. The server counts as there once that is longer than the wait that would
    /// follow: some close each connection soon, and nobody refuses a datagram at once.
    async fn talk(&mut self, wait: &Wait, report: &mut Report) -> Result<Infallible, Leave> {
        let Self { server, views, deltas, began, link } = self;
        let link = link.insert(Link::open(server).await?);
        // Before whatever comes first below: nobody there knows what was said before.
        deltas.begin_anew();
        let mut anew = interval(ANEW);
        let mut proof = std::pin::pin!(sleep(wait.0));
        let mut is_proven = false;
        let mut said = Hearing::NotYet;
        loop {
            tokio::select! {
                // The first tick is at once.
                _ = anew.tick() => deltas.begin_anew(),
                changed = views.changed() => changed.map_err(|_| Leave::Over)?,
                () = sleep(LOOK) => if hearing(&views.borrow(), *began) == said {
                    continue;
                },
                () = &mut proof, if !is_proven => {
                    is_proven = true;
                    report.well();
                    continue;
                }
                error = link.is_lost() => return Err(error.into()),
            }
            let deltas = {
                let view = views.borrow_and_update();
                said = hearing(&view, *began);
                deltas.say(&view, &said)
            };
            link.send(&deltas).await?;
        }
    }
}

impl super::Talk for Talk {
    async fn go_on(&mut self, report: &mut Report) {
        let mut wait = Wait::default();
        loop {
            match self.talk(&wait, report).await {
                Ok(never) => match never {},
                Err(Leave::Over) => return,
                Err(Leave::Lost(error)) => report.trouble(&of_the_server(&self.server, &error)),
            }
            // Waits go on growing after a shorter one. A server that closes each soon does not outlast them, and is news no more.
            if self.link.take().is_some_and(|link| link.opened.elapsed() >= WAITS.1) {
                wait = Wait::default();
            }
            wait.pass().await;
        }
    }

    /// No value stays behind as if it were still heard.
    async fn end(mut self) {
        // In the middle of a line nothing else can be said.
        if let Some(mut link) = self.link.take_if(|link| link.is_between_lines) {
            let deltas = self.deltas.say(&self.views.borrow(), &Hearing::Ended);
            let _ = link.send(&deltas).await;
        }
    }
}

/// How it stands with the controller, for a program that listens since `began`.
fn hearing(view: &View, began: Instant) -> Hearing {
    let age = view.age_ms().map_or_else(|| began.elapsed(), Duration::from_millis);
    match &view.lost {
        Some(why) => Hearing::Lost(why.clone()),
        None if age >= OLD => Hearing::Lost(format!("nothing for {} seconds", OLD.as_secs())),
        None if view.heard_utc_ms.is_none() => Hearing::NotYet,
        None => Hearing::Good,
    }
}

/// The way to a server.
struct Link {
    way: Way,
    opened: Instant,
    is_between_lines: bool,
}

enum Way {
    Tcp(TcpStream),
    Udp(UdpSocket),
}

impl Link {
    async fn open(server: &Server) -> io::Result<Self> {
        let (host, port) = &server.place;
        let addresses: Vec<SocketAddr> = in_time(lookup_host((&**host, *port))).await?.collect();
        let way = match server.by {
            By::Tcp => Way::Tcp(connected(&addresses).await?),
            By::Udp => Way::Udp(aimed(&addresses).await?),
        };
        Ok(Self { way, opened: Instant::now(), is_between_lines: true })
    }

    async fn send(&mut self, deltas: &[String]) -> io::Result<()> {
        match &mut self.way {
            Way::Tcp(stream) => {
                let mut lines = String::new();
                for delta in deltas {
                    lines.push_str(delta);
                    lines.push_str("\r\n");
                }
                self.is_between_lines = false;
                let is_written = timeout(PATIENCE, stream.write_all(lines.as_bytes())).await;
                // A reader who is too slow. A timeout of the connection itself is of another kind.
                is_written.map_err(|_| io::Error::from(ErrorKind::WriteZero))??;
                self.is_between_lines = true;
            }
            Way::Udp(socket) => {
                for delta in deltas {
                    socket.send(delta.as_bytes()).await?;
                }
            }
        }
        Ok(())
    }

    /// Waits for the end of the connection. What comes back is not looked at.
    async fn is_lost(&self) -> io::Error {
        let mut room = [0; 1024];
        loop {
            let got = match &self.way {
                Way::Tcp(stream) => match stream.readable().await {
                    Ok(()) => stream.try_read(&mut room),
                    Err(error) => return error,
                },
                Way::Udp(socket) => socket.recv(&mut room).await.map(|length| length.max(1)),
            };
            match got {
                Ok(0) => return ErrorKind::UnexpectedEof.into(),
                Err(error) if error.kind() != ErrorKind::WouldBlock => return error,
                // Whoever writes without end would otherwise keep this thread from all else.
                _ => yield_now().await,
            }
        }
    }
}

async fn in_time<T>(does: impl Future<Output = io::Result<T>>) -> io::Result<T> {
    timeout(PATIENCE, does).await.map_err(|_| io::Error::from(ErrorKind::TimedOut))?
}

/// A connection to the first address that takes one.
async fn connected(addresses: &[SocketAddr]) -> io::Result<TcpStream> {
    let mut refused = io::Error::new(ErrorKind::NotFound, "its name has no address");
    for &address in addresses {
        match in_time(connected_to(address)).await {
            Ok(stream) => return Ok(stream),
            Err(error) => refused = error,
        }
    }
    Err(refused)
}

async fn connected_to(address: SocketAddr) -> io::Result<TcpStream> {
    // A computer without IPv6 gives no socket for it.
    let socket = if address.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }?;
    socket.set_send_buffer_size(WAITING_BYTES)?;
    let stream = socket.connect(address).await?;
    stream.set_nodelay(true)?;
    Ok(stream)
}

/// A socket that hears of a refusal. A datagram does not show which address somebody hears at, so it goes to the one of the
/// older kind, if there are two.
async fn aimed(addresses: &[SocketAddr]) -> io::Result<UdpSocket> {
    let Some(address) = addresses.iter().find(|address| address.is_ipv4()).or_else(|| addresses.first()) else {
        return Err(io::Error::new(ErrorKind::NotFound, "its name has no address"));
    };
    let any: IpAddr = if address.is_ipv4() { Ipv4Addr::UNSPECIFIED.into() } else { Ipv6Addr::UNSPECIFIED.into() };
    let socket = UdpSocket::bind((any, 0)).await?;
    // The address may be that of all on the network.
    socket.set_broadcast(true)?;
    socket.connect(address).await?;
    Ok(socket)
}

fn of_the_server(server: &Server, error: &io::Error) -> Problem {
    let problem = |message: &str, remedy: &str| Problem::error(&server.to_string(), message).of_use().remedy(remedy);
    match error.kind() {
        ErrorKind::WriteZero => problem("does not read what it gets", "the server; it is tried again"),
        ErrorKind::UnexpectedEof | ErrorKind::ConnectionReset | ErrorKind::BrokenPipe => {
            problem("has closed the connection", "the log of the server; it is tried again")
        }
        _ => not_reached(server, "the server", error),
    }
}

#[cfg(test)]
mod tests;
