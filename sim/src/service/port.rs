//! Opens the line to a controller and passes bytes. It knows nothing of frames.
//!
//! A serial line is opened for this program alone: two that read one line would each get half of the bytes. What keeps
//! a line from opening is said with its remedy. A line that has opened can only vanish.

use super::address::Address;
use crate::diagnostic::Problem;
use serialport::{SerialPort, SerialPortType};
use std::io::{self, ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::Path;
use std::time::Duration;

/// What every real board uses, with 8 bits and no parity.
pub const BAUD: u32 = 115_200;

/// How long one look at the line takes if nothing comes.
pub const TURN: Duration = Duration::from_millis(100);

/// How long a line may take nothing before it counts as vanished. The longest frame takes 60 ms.
const STALLED: Duration = Duration::from_secs(3);

/// How long to wait for somebody at the other end of a socket.
const CONNECT: Duration = Duration::from_secs(5);

/// Something that carries bytes both ways.
pub trait Wire {
    /// Reads what has come into `room` and returns how much. Zero if nothing has come for about [`TURN`].
    ///
    /// # Errors
    /// If the line has vanished; nothing else fails.
    fn hear(&mut self, room: &mut [u8]) -> io::Result<usize>;

    /// Sends all of `bytes`.
    ///
    /// # Errors
    /// If the line has vanished; nothing else fails.
    fn say(&mut self, bytes: &[u8]) -> io::Result<()>;
}

/// An open line.
#[derive(Debug)]
pub struct Port(Kind);

#[derive(Debug)]
enum Kind {
    Serial(Box<dyn SerialPort>),
    Socket(TcpStream),
}

impl Port {
    /// Opens the line at `address`.
    ///
    /// # Errors
    /// What stands in the way, and what to do about it.
    pub fn open(address: &Address) -> Result<Self, Problem> {
        match address {
            Address::Device(path) => open_device(path).map(|port| Self(Kind::Serial(port))),
            Address::Network { host, port } => {
                connect(host, *port).map(|socket| Self(Kind::Socket(socket))).map_err(|error| {
                    Problem::error(&address.to_string(), format!("nobody answers there: {error}"))
                        .of_use()
                        .remedy("whether what passes the line on runs there, and listens on that port")
                })
            }
        }
    }
}

impl Wire for Port {
    fn hear(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let read = match &mut self.0 {
            Kind::Serial(port) => port.read(room),
            Kind::Socket(socket) => socket.read(room),
        };
        match read {
            Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
            Err(error)
                if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted) =>
            {
                Ok(0)
            }
            read => read,
        }
    }

    fn say(&mut self, bytes: &[u8]) -> io::Result<()> {
        match &mut self.0 {
            Kind::Serial(port) => {
                // The same time limit holds for reading, which must not wait as long.
                port.set_timeout(STALLED)?;
                let said = port.write_all(bytes);
                port.set_timeout(TURN)?;
                said
            }
            Kind::Socket(socket) => socket.write_all(bytes),
        }
    }
}

fn connect(host: &str, port: u16) -> io::Result<TcpStream> {
    let mut latest = io::Error::other("the name stands for no address");
    for address in (host, port).to_socket_addrs()? {
        match TcpStream::connect_timeout(&address, CONNECT) {
            Ok(socket) => {
                socket.set_read_timeout(Some(TURN))?;
                socket.set_write_timeout(Some(STALLED))?;
                socket.set_nodelay(true)?;
                return Ok(socket);
            }
            Err(error) => latest = error,
        }
    }
    Err(latest)
}

fn open_device(path: &Path) -> Result<Box<dyn SerialPort>, Problem> {
    let shown = path.display().to_string();
    let problem = |message: String, remedy: String| Problem::error(&shown, message).of_use().remedy(remedy);
    if let Some(message) = is_no_line(path) {
        return Err(problem(message.to_owned(), format!("the line of the controller. {}", lines_that_exist())));
    }
    if cfg!(unix) && !path.exists() {
        return Err(problem("does not exist".to_owned(), format!("plug the cable in. {}", lines_that_exist())));
    }
    serialport::new(shown.clone(), BAUD).timeout(TURN).open().map_err(|error| match error.kind() {
        serialport::ErrorKind::Io(ErrorKind::PermissionDenied) => denied(path, &shown),
        serialport::ErrorKind::NoDevice => {
            problem(format!("is busy: {} has it open", holder(path)), "end that program, then try again".to_owned())
                .because("two programs that read one line each get half of the bytes")
        }
        _ => problem(format!("cannot be opened as a serial line: {error}"), lines_that_exist()),
    })
}

/// Why something that exists is no serial line, where that shows without opening it.
#[cfg(unix)]
fn is_no_line(path: &Path) -> Option<&'static str> {
    use std::os::unix::fs::FileTypeExt;
    let kind = path.metadata().ok()?.file_type();
    if kind.is_dir() {
        Some("is a folder, not a serial line")
    } else if kind.is_char_device() {
        None
    } else {
        Some("is a file, not a serial line")
    }
}

#[cfg(not(unix))]
fn is_no_line(_: &Path) -> Option<&'static str> {
    None
}

/// The group that owns a line is the one whose members may use it.
#[cfg(unix)]
fn denied(path: &Path, shown: &str) -> Problem {
    use std::os::unix::fs::MetadataExt;
    let group = path.metadata().ok().map(|found| found.gid());
    let table = std::fs::read_to_string("/etc/group").unwrap_or_default();
    let name = group.map(|group| group_name(&table, group).unwrap_or_else(|| group.to_string()));
    let (who, remedy) = name.map_or_else(
        || ("its owner".to_owned(), "sudo, or another user".to_owned()),
        |name| {
            let remedy = format!("`sudo usermod -aG {name} $USER`, then log out and in again");
            (format!("its owner and members of the group {name}"), remedy)
        },
    );
    Problem::error(shown, format!("this user may not open it; {who} may")).of_use().remedy(remedy)
}

#[cfg(not(unix))]
fn denied(_: &Path, shown: &str) -> Problem {
    Problem::error(shown, "this user may not open it, or another program has it open")
        .of_use()
        .remedy("end the other program, or ask whoever manages this computer")
}

/// The name of a group by its number, in the words of `/etc/group`.
#[cfg(unix)]
fn group_name(table: &str, group: u32) -> Option<String> {
    table.lines().find_map(|line| {
        let mut cells = line.split(':');
        let name = cells.next()?;
        (cells.nth(1)?.parse() == Ok(group)).then(|| name.to_owned())
    })
}

/// Which program has a device open, as far as this user can see.
fn holder(path: &Path) -> String {
    find_holder(path).unwrap_or_else(|| "another program".to_owned())
}

fn find_holder(path: &Path) -> Option<String> {
    let path = path.canonicalize().ok()?;
    let processes = std::fs::read_dir("/proc").ok()?;
    processes.filter_map(Result::ok).map(|process| process.path()).find_map(|process| {
        let number: u32 = process.file_name()?.to_str()?.parse().ok()?;
        let mut open = std::fs::read_dir(process.join("fd")).ok()?.filter_map(Result::ok);
        if !open.any(|file| std::fs::read_link(file.path()).is_ok_and(|target| target == path)) {
            return None;
        }
        let name = std::fs::read_to_string(process.join("comm")).unwrap_or_default();
        Some(format!("process {number} ({})", crate::diagnostic::escaped(name.trim())))
    })
}

/// What a fitter can choose from.
fn lines_that_exist() -> String {
    let ports = serialport::available_ports().unwrap_or_default();
    // Lines that are built in and lead nowhere only hide those that were plugged in.
    let plugged: Vec<String> =
        ports.into_iter().filter(|port| port.port_type != SerialPortType::Unknown).map(|port| port.port_name).collect();
    match *plugged {
        [] => "No USB adapter is plugged in".to_owned(),
        _ => format!("Plugged in: {}", plugged.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> String {
        Port::open(&text.parse().unwrap()).unwrap_err().to_string()
    }

    #[test]
    fn what_keeps_a_line_from_opening_is_said_with_a_remedy() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "text").unwrap();
        for (text, expected) in [
            ("/dev/no-such-line", "does not exist"),
            (folder.path().to_str().unwrap(), "is a folder"),
            (file.to_str().unwrap(), "is a file"),
            ("/dev/null", "cannot be opened as a serial line"),
            // Port 1 is reserved and served by nobody.
            ("tcp:127.0.0.1:1", "nobody answers there"),
        ] {
            let message = refused(text);
            assert!(message.contains(expected) && message.contains("\n  try: "), "{text}: {message}");
        }
        assert_eq!(std::fs::read_to_string(file).unwrap(), "text");
    }

    #[cfg(unix)]
    #[test]
    fn the_group_that_may_open_a_line_is_named() {
        assert_eq!(group_name("root:x:0:\ndialout:x:20:ada,bob\n", 20), Some("dialout".to_owned()));
        assert_eq!(group_name("root:x:0:\nbroken\n", 20), None);
    }

    #[cfg(unix)]
    #[test]
    fn a_line_that_is_open_cannot_be_opened_again_and_its_holder_is_named() {
        let (master, line) = crate::service::testing::pseudo_terminal();
        let address = Address::Device(line.clone());
        let port = Port::open(&address).unwrap();
        let message = refused(line.to_str().unwrap());
        assert!(message.contains("is busy"), "{message}");
        if cfg!(target_os = "linux") {
            assert!(message.contains(&format!("process {}", std::process::id())), "{message}");
        }
        drop(port);
        let mut port = Port::open(&address).unwrap();
        drop(master);
        let mut room = [0; 16];
        assert!((0..20).any(|_| port.hear(&mut room).is_err()), "a line whose other end is gone has vanished");
    }
}
