//! Where a page is served, and by which names it may be asked for there.
//!
//! A browser sends the name that its user, or a page on it, asked for. A page elsewhere can let a name of its own lead
//! to this computer, and would then read what is served here. So only numbers and `localhost` are answered: nobody else
//! can make those lead here.

use super::token::Token;
use crate::diagnostic::Problem;
use std::io::ErrorKind;
use std::net::{IpAddr, SocketAddr, TcpListener};

/// An open place to serve at.
#[derive(Debug)]
pub struct Place {
    /// Where somebody may come in.
    pub(super) listener: TcpListener,
    /// What whoever comes must know.
    pub(super) token: Option<Token>,
}

impl Place {
    /// Opens the place at `address`, which whoever comes finds shut without `token`, if there is one.
    ///
    /// # Errors
    /// An address that is no number with a port, that is beyond this computer without a token, or that cannot be had.
    pub fn open(address: &str, token: Option<Token>) -> Result<Self, Problem> {
        let problem = |message: String| Problem::error(&format!("--serve {address}"), message).of_use();
        let Ok(number) = address.parse::<SocketAddr>() else {
            return Err(
                problem("is no address".to_owned()).remedy("a number and a port, as 127.0.0.1:8080 or [::1]:8080")
            );
        };
        if !number.ip().is_loopback() && token.is_none() {
            return Err(problem("lets other computers in, and no token keeps anybody out".to_owned())
                .because("whoever reaches this address would see the page")
                .remedy("127.0.0.1 with the same port, or a token: see --token-file"));
        }
        let listener = TcpListener::bind(number).map_err(|error| match error.kind() {
            ErrorKind::AddrInUse => {
                problem("is in use by another program".to_owned()).remedy("another port, or end the other program")
            }
            ErrorKind::AddrNotAvailable => problem("is no address of this computer".to_owned())
                .remedy("127.0.0.1, or one that `ip address` shows, with the same port"),
            ErrorKind::PermissionDenied => {
                problem("may not be opened by this user".to_owned()).remedy("a port above 1023")
            }
            _ => problem(format!("cannot be opened: {error}")).remedy("another address or port"),
        })?;
        Ok(Self { listener, token })
    }

    /// Where it is. The port is the real one, also where any port was asked for.
    ///
    /// # Errors
    /// If the system does not tell; nothing else fails.
    pub fn address(&self) -> Result<SocketAddr, Problem> {
        self.listener
            .local_addr()
            .map_err(|error| Problem::error("--serve", format!("cannot be looked at: {error}")).of_use())
    }
}

/// Whether `host`, as a browser sent it, can only have led to this computer.
pub(super) fn is_ours(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split_once(']').map_or("", |(name, _)| name),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_number_or_localhost_is_a_name_that_nobody_else_can_lead_here() {
        for host in ["localhost", "LOCALHOST:80", "127.0.0.1", "127.0.0.1:8080", "[::1]", "[::1]:8080", "192.0.2.7:1"] {
            assert!(is_ours(host), "{host}");
        }
        for host in
            ["", "example.org", "localhost.example.org", "127.0.0.1.example.org:80", "[example.org]:80", ":80", "[::1"]
        {
            assert!(!is_ours(host), "{host}");
        }
    }

    #[test]
    fn other_computers_are_let_in_only_with_a_token_and_the_message_says_what_to_do() {
        let refused = |address: &str| Place::open(address, None).expect_err(address).to_string();
        assert!(refused("0.0.0.0:0").contains("lets other computers in"));
        assert!(refused("[::]:0").contains("--token-file"));
        for address in ["", "8080", "localhost:8080", "127.0.0.1", "127.0.0.1:70000"] {
            assert!(refused(address).contains("is no address"), "{address}");
        }
        let place = Place::open("127.0.0.1:0", None).expect("a free port");
        let taken = place.address().expect("it has one").to_string();
        assert!(refused(&taken).contains("is in use by another program"));
        let token = Token::read("a token of this test").expect("long enough");
        assert!(Place::open("0.0.0.0:0", Some(token)).is_ok());
    }
}
