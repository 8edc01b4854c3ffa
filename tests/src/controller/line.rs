//! The controller's end of its service line.
//!
//! Like a transmitter without a cable, it loses what nobody takes. It never keeps the loop waiting for long.

use super::Plug;
use std::collections::VecDeque;
use std::fs::File;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::Builder;
use std::time::Duration;

/// The latest bytes that are remembered.
const REMEMBERED: usize = 8 << 20;

/// How long the other end may take nothing.
const STALLED: Duration = Duration::from_millis(200);

/// The other end of the line, as far as there is one.
#[derive(Debug)]
enum End {
    Nobody,
    Socket(TcpStream),
    Terminal(File),
}

#[derive(Debug)]
struct Ends {
    end: End,
    heard: VecDeque<u8>,
    said: Vec<u8>,
    is_plugged: bool,
    is_closed: bool,
    noise_one_in: u32,
    /// Counts the bytes until the next noise.
    quiet: u32,
}

/// The line.
#[derive(Debug)]
pub(crate) struct Line(Arc<Mutex<Ends>>);

fn locked(ends: &Mutex<Ends>) -> MutexGuard<'_, Ends> {
    ends.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Line {
    /// A line, and where it ends.
    pub(super) fn new(plug: Plug) -> (Self, String) {
        let ends = Arc::new(Mutex::new(Ends {
            end: End::Nobody,
            heard: VecDeque::new(),
            said: Vec::new(),
            is_plugged: true,
            is_closed: false,
            noise_one_in: 0,
            quiet: 0,
        }));
        let address = match plug {
            Plug::Socket(port) => {
                let listener = TcpListener::bind(("127.0.0.1", port)).expect("a port");
                let address = listener.local_addr().expect("it is bound");
                let ends = Arc::clone(&ends);
                start("line", move || accept(&listener, &ends));
                format!("tcp:{address}")
            }
            Plug::Terminal => {
                let (terminal, path) = terminal();
                let listened_to = terminal.try_clone().expect("another handle");
                locked(&ends).end = End::Terminal(terminal);
                let ends = Arc::clone(&ends);
                start("line", move || hear_terminal(listened_to, &ends));
                path
            }
        };
        (Self(ends), address)
    }

    fn ends(&self) -> MutexGuard<'_, Ends> {
        locked(&self.0)
    }

    pub(super) fn unplug(&self) {
        let mut ends = self.ends();
        ends.is_plugged = false;
        ends.heard.clear();
        if let End::Socket(socket) = &ends.end {
            let _ = socket.shutdown(Shutdown::Both);
            ends.end = End::Nobody;
        }
    }

    pub(super) fn plug(&self) {
        self.ends().is_plugged = true;
    }

    pub(super) fn make_noise(&self, one_in: u32) {
        let mut ends = self.ends();
        (ends.noise_one_in, ends.quiet) = (one_in, one_in);
    }

    pub(super) fn said(&self) -> Vec<u8> {
        self.ends().said.clone()
    }

    pub(super) fn close(&self) {
        self.unplug();
        self.ends().is_closed = true;
    }

    pub(super) fn is_ready(&self) -> bool {
        !self.ends().heard.is_empty()
    }

    pub(super) fn hear(&self) -> Option<u8> {
        self.ends().heard.pop_front()
    }

    pub(super) fn say(&self, bytes: &[u8]) {
        let mut ends = self.ends();
        let surplus = (ends.said.len() + bytes.len()).saturating_sub(REMEMBERED);
        ends.said.drain(..surplus);
        ends.said.extend_from_slice(bytes);
        if !ends.is_plugged {
            return;
        }
        let mut spoiled = bytes.to_vec();
        if ends.noise_one_in > 0 {
            for byte in &mut spoiled {
                ends.quiet = ends.quiet.saturating_sub(1);
                if ends.quiet == 0 {
                    *byte ^= 0x55;
                    ends.quiet = ends.noise_one_in;
                }
            }
        }
        let taken = match &mut ends.end {
            End::Nobody => Ok(()),
            End::Socket(socket) => socket.write_all(&spoiled),
            // A terminal that is full or not opened loses bytes and stays.
            End::Terminal(terminal) => {
                let _ = terminal.write_all(&spoiled);
                Ok(())
            }
        };
        if taken.is_err() {
            ends.end = End::Nobody;
        }
    }
}

fn start(name: &str, work: impl FnOnce() + Send + 'static) {
    Builder::new().name(name.into()).spawn(work).expect("a thread");
}

/// Lets one computer in at a time; the latest counts.
fn accept(listener: &TcpListener, ends: &Arc<Mutex<Ends>>) {
    // Looks now and then whether all is over.
    listener.set_nonblocking(true).expect("a socket can do that");
    loop {
        let socket = match listener.accept() {
            Ok((socket, _)) => socket,
            Err(_) if locked(ends).is_closed => return,
            Err(_) => {
                std::thread::sleep(Duration::from_millis(2));
                continue;
            }
        };
        let ready = socket.set_nonblocking(false).and_then(|()| socket.set_write_timeout(Some(STALLED)));
        let (Ok(()), Ok(listened_to)) = (ready, socket.try_clone()) else { continue };
        let mut now = locked(ends);
        if now.is_plugged {
            now.end = End::Socket(socket);
            let ends = Arc::clone(ends);
            start("line's ear", move || hear_socket(listened_to, &ends));
        }
    }
}

fn hear_socket(mut socket: TcpStream, ends: &Mutex<Ends>) {
    let mut room = [0; 1024];
    while let Ok(length @ 1..) = socket.read(&mut room) {
        locked(ends).heard.extend(&room[..length]);
    }
}

fn hear_terminal(mut terminal: File, ends: &Mutex<Ends>) {
    let mut room = [0; 1024];
    while !locked(ends).is_closed {
        match terminal.read(&mut room) {
            Ok(length @ 1..) => {
                let mut ends = locked(ends);
                if ends.is_plugged {
                    ends.heard.extend(&room[..length]);
                }
            }
            // Nobody has it open, or nothing has come.
            Ok(_) | Err(_) => std::thread::sleep(Duration::from_millis(2)),
        }
    }
}

/// The controller's end of a pseudo-terminal, which never makes it wait, and the path of the other end.
fn terminal() -> (File, String) {
    use rustix::fs::{OFlags, fcntl_setfl};
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
    grantpt(&master).and_then(|()| unlockpt(&master)).expect("it opens");
    fcntl_setfl(&master, OFlags::RDWR | OFlags::NONBLOCK).expect("it need not wait");
    let path = ptsname(&master, Vec::new()).expect("it has a name");
    (master.into(), path.into_string().expect("in UTF-8"))
}

/// The firmware's hold of the line.
pub(crate) struct Serial(pub(super) Arc<super::Shared>);

impl embedded_io::ErrorType for Serial {
    type Error = embedded_io::ErrorKind;
}

impl embedded_io::ReadReady for Serial {
    fn read_ready(&mut self) -> Result<bool, embedded_io::ErrorKind> {
        Ok(self.0.line.is_ready())
    }
}

impl embedded_io::Read for Serial {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, embedded_io::ErrorKind> {
        let Some(place) = into.first_mut() else { return Ok(0) };
        *place = self.0.line.hear().ok_or(embedded_io::ErrorKind::TimedOut)?;
        Ok(1)
    }
}

impl embedded_io::Write for Serial {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, embedded_io::ErrorKind> {
        self.0.line.say(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), embedded_io::ErrorKind> {
        Ok(())
    }
}
