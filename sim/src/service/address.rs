//! Where a controller is: a serial line by its path, or a socket that stands for one.
//!
//! Whether something is there is the question of [`port`](super::port).

use std::fmt;
use std::net::{IpAddr, Ipv4Addr};
use std::path::PathBuf;
use std::str::FromStr;

/// Where a controller is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// A serial line or a pseudo-terminal.
    Device(PathBuf),
    /// Something that passes a serial line on over TCP.
    Network {
        /// Its name or number.
        host: String,
        /// Its port.
        port: u16,
    },
}

/// What opens an address on a network.
const NETWORK: &str = "tcp:";

impl Address {
    /// Whether every byte stays on one computer or on the cable that is plugged into it.
    ///
    /// A name other than `localhost` counts as elsewhere, whatever it stands for today.
    #[must_use]
    pub fn is_at_hand(&self) -> bool {
        match self {
            Self::Device(_) => true,
            Self::Network { host, .. } => {
                let number = host.parse().unwrap_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED));
                host == "localhost" || number.is_loopback()
            }
        }
    }
}

impl FromStr for Address {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let Some(network) = text.strip_prefix(NETWORK) else {
            return if text.is_empty() { Err("names no line".to_owned()) } else { Ok(Self::Device(text.into())) };
        };
        let (host, port) = network.rsplit_once(':').unwrap_or((network, ""));
        let host = host.strip_prefix('[').and_then(|host| host.strip_suffix(']')).unwrap_or(host);
        match port.parse() {
            Ok(port) if port > 0 && !host.is_empty() => Ok(Self::Network { host: host.to_owned(), port }),
            _ => Err("expected tcp:HOST:PORT, as tcp:localhost:7000".to_owned()),
        }
    }
}

/// As it was written.
impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Device(path) => path.display().fmt(f),
            Self::Network { host, port } if host.contains(':') => write!(f, "{NETWORK}[{host}]:{port}"),
            Self::Network { host, port } => write!(f, "{NETWORK}{host}:{port}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_shown_as_it_was_written() {
        for text in ["/dev/ttyUSB0", "COM3", "tcp:localhost:7000", "tcp:[::1]:7000", "tcp:192.0.2.7:1"] {
            assert_eq!(text.parse::<Address>().map(|address| address.to_string()), Ok(text.to_owned()));
        }
        for text in ["", "tcp:", "tcp:host", "tcp::7000", "tcp:host:0", "tcp:host:70000"] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
    }

    #[test]
    fn only_this_computer_and_its_cables_are_at_hand() {
        for (text, expected) in [
            ("/dev/ttyUSB0", true),
            ("tcp:localhost:1", true),
            ("tcp:127.0.0.1:1", true),
            ("tcp:[::1]:1", true),
            ("tcp:0.0.0.0:1", false),
            ("tcp:192.0.2.7:1", false),
            ("tcp:[fe80::1]:1", false),
            ("tcp:localhost.example:1", false),
        ] {
            assert_eq!(text.parse::<Address>().unwrap().is_at_hand(), expected, "{text}");
        }
    }
}
