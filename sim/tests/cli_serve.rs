//! `forewarm listen --serve` over real connections, beside the firmware's own loop.
#![cfg(unix)]

mod common;
mod desk;
#[path = "common/signals.rs"]
mod signals;

use common::forewarm;
use desk::{Running, controller, hut, set_source, until};
use forewarm::watch::serve::MOST_CONNECTIONS;
use forewarm_tests::controller::Setup;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

fn shown(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

fn file() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("log.sqlite");
    (folder, path)
}

/// The address that a running command says it serves at.
fn address(listening: &mut Running) -> String {
    listening.until_it_says("the page is at http://");
    let said = listening.stderr();
    let (_, rest) = said.split_once("the page is at http://").expect("it was said");
    rest.split('/').next().expect("split yields at least one").to_owned()
}

/// Sends a request.
fn send(address: &str, request: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).expect("somebody serves");
    stream.set_read_timeout(Some(Duration::from_mins(1))).expect("a time-out");
    stream.write_all(request.as_bytes()).expect("it listens");
    stream
}

/// What comes back for a request of these lines, up to the end of the connection.
fn ask(address: &str, method: &str, path: &str, lines: &str) -> String {
    let host = if lines.contains("Host:") { String::new() } else { format!("Host: {address}\r\n") };
    let mut stream = send(address, &format!("{method} {path} HTTP/1.1\r\n{host}{lines}Connection: close\r\n\r\n"));
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("an answer");
    answer
}

fn status(answer: &str) -> u16 {
    answer.get(9..12).and_then(|number| number.parse().ok()).unwrap_or_else(|| panic!("no status: {answer}"))
}

/// The stream of views.
struct Views(BufReader<TcpStream>);

impl Views {
    fn of(address: &str) -> Self {
        let mut reader = BufReader::new(send(address, &format!("GET /events HTTP/1.1\r\nHost: {address}\r\n\r\n")));
        let mut first = String::new();
        reader.read_line(&mut first).expect("an answer");
        assert!(first.contains("200"), "{first}");
        Self(reader)
    }

    /// The next view for which something is so.
    fn until(&mut self, what: &str, is_so: impl Fn(&Value) -> bool) -> Value {
        for _ in 0..100_000 {
            let mut line = String::new();
            assert!(self.0.read_line(&mut line).expect("a line") > 0, "the stream ended before {what}");
            if let Some(text) = line.strip_prefix("data: ") {
                let view = serde_json::from_str(text).expect("an object");
                if is_so(&view) {
                    return view;
                }
            }
        }
        panic!("it never came: {what}");
    }
}

#[test]
fn each_change_comes_as_an_event_and_what_was_as_history() {
    let controller = controller(&Setup::default());
    let (_folder, path) = file();
    let hut = hut();
    let serve =
        ["listen", controller.address(), "--keep", shown(&path), "--serve", "127.0.0.1:0", "--names", shown(&hut)];
    let mut listening = Running::start(&serve);
    let at = address(&mut listening);
    let mut views = Views::of(&at);
    let view = views.until("it waits", |view| view["now"]["state"] == "waiting");
    assert_eq!((view["now"]["charge"].as_str(), view["now"]["heater"].as_str()), (Some("refused"), Some("off")));
    assert!((-4.0..-3.9).contains(&view["now"]["coldest_cell_c"].as_f64().expect("a number")));
    assert_eq!(view["sources"][0], "engine");
    assert!(view["controller"]["caution"].as_str().expect("a text").contains("additional layer"));
    assert!(view["age_ms"].as_u64().expect("a number") < 60_000);
    set_source(&controller, 0, true);
    let view = views.until("it warms", |view| view["now"]["heater"] == "on");
    assert_eq!(view["now"]["present"][0], "engine");
    controller.change(|world| world.temperatures[1] = None);
    let view = views.until("a fault", |view| view["now"]["state"] == "faulted");
    let fault = &view["now"]["faults"][0];
    assert_eq!((fault["name"].as_str(), fault["of"].as_str()), (Some("open"), Some("battery 2")));
    assert_eq!(fault["check_first"], "a broken lead or a loose terminal");
    controller.unplug();
    views.until("the line is lost", |view| view["lost"].as_str().is_some_and(|lost| lost.contains("vanished")));

    let answer = ask(&at, "GET", "/history?day_utc_ms=0&month_utc_ms=0", "");
    let (_, body) = answer.split_once("\r\n\r\n").expect("a body");
    let past: Value = serde_json::from_str(body).unwrap_or_else(|error| panic!("{answer}: {error}"));
    assert_eq!(past["last_day"]["coldest_c"].as_array().expect("bins").len(), 144);
    assert!(past["last_day"]["coldest_c"].as_array().expect("bins").iter().any(|bin| !bin.is_null()));
    assert_eq!(past["today"]["sources_wh"].as_array().expect("numbers").len(), 4);
    assert_eq!(status(&ask(&at, "GET", "/history", "")), 400);
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn nothing_is_answered_to_a_name_that_may_have_been_led_here_and_nothing_can_be_changed() {
    let controller = controller(&Setup::default());
    let (_folder, path) = file();
    let mut listening =
        Running::start(&["listen", controller.address(), "--keep", shown(&path), "--serve", "127.0.0.1:0"]);
    let at = address(&mut listening);
    for page in ["/", "/events", "/history?day_utc_ms=0&month_utc_ms=0", "/enter", "/other"] {
        for host in ["Host: example.org\r\n", "Host: 127.0.0.1.example.org\r\n"] {
            let answer = ask(&at, "GET", page, host);
            assert_eq!(status(&answer), 421, "{page} {host}: {answer}");
        }
        for method in ["POST", "PUT", "DELETE", "PATCH"] {
            assert!([404, 405].contains(&status(&ask(&at, method, page, ""))), "{method} {page}");
        }
    }
    let answer = ask(&at, "GET", "/", "");
    let head = answer.split_once("\r\n\r\n").expect("a head").0.to_lowercase();
    assert_eq!(status(&answer), 200);
    for line in
        ["cache-control: no-store", "x-content-type-options: nosniff", "frame-ancestors 'none'", "default-src 'none'"]
    {
        assert!(head.contains(line), "no {line}: {head}");
    }
    assert!(!head.contains("unsafe"), "{head}");
    assert!(answer.len() < 150_000, "{} bytes", answer.len());
    let answer = answer.replace("http://www.w3.org/2000/svg", "");
    assert!(!answer.contains("http://") && !answer.contains("https://"), "the page asks somebody else");
    let nonce = |answer: &str| answer.split_once("script-src 'nonce-").expect("a nonce").1[..32].to_owned();
    assert_ne!(nonce(&answer), nonce(&ask(&at, "GET", "/", "")), "whoever has read one page knows the next one's");
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn other_computers_must_know_the_token_and_it_is_never_shown() {
    let controller = controller(&Setup::default());
    let (folder, path) = file();
    let secret = "sixteen letters and more";
    let token = folder.path().join("token");
    std::fs::write(&token, format!("{secret}\n")).expect("a file");
    let serve =
        ["listen", controller.address(), "--keep", shown(&path), "--serve", "0.0.0.0:0", "--token-file", shown(&token)];
    let mut listening = Running::start(&serve);
    let at = address(&mut listening).replace("0.0.0.0", "127.0.0.1");
    let data = "/history?day_utc_ms=0&month_utc_ms=0";
    assert_eq!(status(&ask(&at, "GET", "/", "")), 200, "the page itself holds nothing");
    for lines in [
        String::new(),
        "Authorization: Bearer \r\n".to_owned(),
        "Authorization: Bearer sixteen letters and mora\r\n".to_owned(),
        "Cookie: forewarm_token=\r\n".to_owned(),
        format!("Cookie: other_forewarm_token={secret}\r\n"),
    ] {
        for page in [data, "/events", "/enter"] {
            assert_eq!(status(&ask(&at, "GET", page, &lines)), 401, "{page} {lines}");
        }
    }
    assert_eq!(
        status(&ask(&at, "GET", &format!("{data}&token={}", secret.replace(' ', "%20")), "")),
        401,
        "an address is no place for it"
    );
    let entered = ask(&at, "GET", "/enter", &format!("Authorization: Bearer {secret}\r\n"));
    assert_eq!(status(&entered), 204);
    let lower = entered.to_lowercase();
    let (_, cookie) = lower.split_once("set-cookie: ").expect("a cookie");
    assert!(cookie.contains("httponly") && cookie.contains("samesite=strict"), "{entered}");
    assert_eq!(status(&ask(&at, "GET", data, &format!("Cookie: other=1; forewarm_token={secret}\r\n"))), 200);
    assert!(!listening.stderr().contains(secret) && !listening.stdout().contains(secret));
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn clients_that_say_and_read_nothing_hold_up_neither_the_listening_nor_the_next_one_for_long() {
    let controller = controller(&Setup::default());
    let (_folder, path) = file();
    let mut listening =
        Running::start(&["listen", controller.address(), "--keep", shown(&path), "--serve", "127.0.0.1:0"]);
    let at = address(&mut listening);
    // Some never ask, the others ask for events and never read them.
    let silent: Vec<TcpStream> = (0..MOST_CONNECTIONS / 2).map(|_| send(&at, "GET / HT")).collect();
    let request = format!("GET /events HTTP/1.1\r\nHost: {at}\r\n\r\n");
    let _stalled: Vec<TcpStream> = (0..MOST_CONNECTIONS / 2).map(|_| send(&at, &request)).collect();
    until("there is no room", || {
        let mut answer = String::new();
        let asked = send(&at, &request).take(12).read_to_string(&mut answer);
        asked.is_err() || answer.is_empty() || answer.contains("503")
    });
    set_source(&controller, 0, true);
    listening.until_it_says("warming");
    // Those that never ask are shown out, and others come in.
    until("there is room again", || {
        let mut answer = String::new();
        send(&at, &format!("GET / HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n"))
            .take(12)
            .read_to_string(&mut answer)
            .is_ok()
            && answer.contains("200")
    });
    drop(silent);
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn what_cannot_be_served_is_said_before_anything_is_listened_to() {
    let controller = controller(&Setup::default());
    let (folder, path) = file();
    let refused = |more: &[&str]| {
        let mut arguments = vec!["listen", controller.address(), "--keep", shown(&path)];
        arguments.extend(more);
        let refused = forewarm(&arguments);
        assert_eq!((refused.status, &*refused.stdout), (2, ""), "{more:?}: {}", refused.stderr);
        assert!(!path.exists(), "{more:?} has begun a file");
        refused.stderr
    };
    assert!(refused(&["--serve", "somewhere"]).contains("is no address"));
    assert!(refused(&["--serve", "192.0.2.7:8080"]).contains("no token keeps anybody out"));
    let empty = folder.path().join("empty");
    std::fs::write(&empty, "\n").expect("a file");
    assert!(refused(&["--serve", "127.0.0.1:0", "--token-file", shown(&empty)]).contains("is empty"));
    assert!(refused(&["--serve", "127.0.0.1:0", "--token-file", "/no/such/file"]).contains("cannot be read"));
    assert!(refused(&["--token-file", shown(&empty)]).contains("--serve"));
    let hut = hut();
    assert!(refused(&["--names", shown(&hut)]).contains("--names is for --export, --serve and --publish"));
    let alone = forewarm(&["listen", controller.address(), "--serve", "127.0.0.1:0"]);
    assert!(alone.status == 2 && alone.stderr.contains("--keep"), "{}", alone.stderr);

    let mut listening =
        Running::start(&["listen", controller.address(), "--keep", shown(&path), "--serve", "127.0.0.1:0"]);
    let at = address(&mut listening);
    let other = folder.path().join("other.sqlite");
    let second = forewarm(&["listen", controller.address(), "--keep", shown(&other), "--serve", &at]);
    assert!(second.status == 2 && second.stderr.contains("is in use by another program"), "{}", second.stderr);
    let second = forewarm(&["listen", controller.address(), "--keep", shown(&path), "--serve", "127.0.0.1:0"]);
    assert!(second.status == 2 && second.stderr.contains("another `forewarm listen`"), "{}", second.stderr);
    assert_eq!(listening.interrupt(), 130);
}
