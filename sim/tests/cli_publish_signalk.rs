//! `forewarm listen --publish signalk+tcp` and `signalk+udp` beside the firmware's own loop, over real sockets.
//!
//! What is said is checked with the schema that the authors of Signal K publish (`@signalk/signalk-schema` 1.8.2):
//! `tests/tools/signalk/check.mjs`, which `tests/tools/provide` makes ready for node.
#![cfg(unix)]

mod common;
mod desk;
#[path = "common/signals.rs"]
mod signals;

use common::forewarm;
use desk::{Running, controller, hut, set_source, until};
use forewarm_core::quantity::Celsius;
use forewarm_tests::controller::{Controller, Setup};
use forewarm_tests::{root, run};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::{Shutdown, TcpListener, TcpStream, UdpSocket};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// What an Ethernet frame leaves to a datagram, and a little less.
const MOST_BYTES: usize = 1400;

const HOUSE: &str = "electrical.batteries.house";

/// Deltas as they came, a line each.
#[derive(Clone, Default)]
struct Heard(Arc<Mutex<Vec<String>>>);

impl Heard {
    fn push(&self, line: &str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push(line.to_owned());
    }

    fn lines(&self) -> Vec<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What a path has had, in order.
    fn all(&self, path: &str) -> Vec<Value> {
        let mut all = Vec::new();
        for line in self.lines() {
            let delta: Value = serde_json::from_str(&line).expect("JSON");
            for update in delta["updates"].as_array().expect("updates") {
                let values = update["values"].as_array().into_iter().flatten();
                all.extend(values.filter(|item| item["path"] == path).map(|item| item["value"].clone()));
            }
        }
        all
    }

    fn until(&self, path: &str, is_so: impl Fn(&Value) -> bool) {
        until(path, || self.all(path).last().is_some_and(&is_so));
    }

    fn until_state(&self, path: &str, state: &str) {
        self.until(&format!("notifications.{path}"), |value| value["state"] == state);
    }
}

/// A server that reads lines, of whoever comes.
struct Server {
    heard: Heard,
    port: u16,
    is_over: Arc<AtomicBool>,
    streams: Arc<Mutex<Vec<TcpStream>>>,
    accepts: Option<JoinHandle<()>>,
}

impl Server {
    fn at(port: u16) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", port)).expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let (heard, is_over) = (Heard::default(), Arc::new(AtomicBool::new(false)));
        let streams = Arc::new(Mutex::new(Vec::<TcpStream>::new()));
        let (gathered, ends, kept) = (heard.clone(), Arc::clone(&is_over), Arc::clone(&streams));
        let accepts = std::thread::spawn(move || {
            for stream in listener.incoming() {
                if ends.load(Ordering::Relaxed) {
                    return;
                }
                let mut stream = stream.expect("a connection");
                // As a server does. Nobody there reads it.
                let _ = stream.write_all(b"{\"name\":\"test\",\"version\":\"1.8.2\",\"roles\":[\"master\"]}\r\n");
                kept.lock().unwrap_or_else(PoisonError::into_inner).push(stream.try_clone().expect("a handle"));
                let gathered = gathered.clone();
                std::thread::spawn(move || {
                    let mut reader = BufReader::new(stream);
                    let mut line = String::new();
                    while reader.read_line(&mut line).is_ok_and(|length| length > 0) {
                        // Half a line is what a break leaves.
                        if let Some(whole) = line.strip_suffix('\n') {
                            gathered.push(whole.strip_suffix('\r').expect("lines end in CR LF"));
                        }
                        line.clear();
                    }
                });
            }
        });
        Self { heard, port, is_over, streams, accepts: Some(accepts) }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.is_over.store(true, Ordering::Relaxed);
        let _ = TcpStream::connect(("127.0.0.1", self.port));
        let _ = self.accepts.take().map(JoinHandle::join);
        for stream in self.streams.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }
}

/// Somebody who hears datagrams until the other side has ended.
fn hears_datagrams(socket: UdpSocket) -> Heard {
    let heard = Heard::default();
    let gathered = heard.clone();
    std::thread::spawn(move || {
        let mut room = vec![0; 65_536];
        while let Ok(length) = socket.recv(&mut room) {
            assert!(length <= MOST_BYTES, "a datagram of {length} bytes");
            gathered.push(std::str::from_utf8(&room[..length]).expect("UTF-8"));
        }
    });
    heard
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).expect("a port").port()
}

fn listen(controller: &Controller, more: &[&str]) -> Running {
    let mut arguments = vec!["listen", controller.address()];
    arguments.extend(more);
    Running::start(&arguments)
}

/// Gives lines to the schema's check. Returns whether it accepts them, and what it prints.
fn checked(lines: &[String]) -> (bool, String) {
    let folder = run(Command::new(root().join("tests/tools/provide")).arg("signalk"));
    let mut command = Command::new("node");
    command.arg(format!("{}/check.mjs", folder.trim())).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut child = command.spawn().expect("node starts");
    let text = lines.iter().fold(String::new(), |text, line| text + line + "\n");
    let mut stdin = child.stdin.take().expect("it was piped");
    let writes = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().expect("an end");
    writes.join().expect("no panic").expect("it reads all");
    (output.status.success(), String::from_utf8(output.stdout).expect("UTF-8"))
}

fn accepted(lines: &[String]) {
    let (is_accepted, said) = checked(lines);
    assert!(is_accepted, "{said}");
    assert!(said.starts_with(&format!("{} deltas", lines.len())), "{said}");
}

#[test]
fn a_run_with_faults_is_said_as_it_happens_in_deltas_that_the_authors_schema_accepts() {
    let controller = controller(&Setup::default());
    let server = Server::at(0);
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a port");
    let tcp = format!("signalk+tcp://127.0.0.1:{}/house", server.port);
    let udp = format!("signalk+udp://{}/house", socket.local_addr().expect("an address"));
    let datagrams = hears_datagrams(socket);
    let hut = hut();
    let names = hut.to_str().expect("UTF-8");
    let mut listening = listen(&controller, &["--names", names, "--publish", &tcp, "--publish", &udp]);
    let both = [&server.heard, &datagrams];
    let each = |path: &str, is_so: &dyn Fn(&Value) -> bool| {
        for heard in both {
            heard.until(path, is_so);
        }
    };
    let each_state = |path: &str, state: &str| {
        for heard in both {
            heard.until_state(path, state);
        }
    };
    // It is −4 °C, as the controller measures it with a converter of 15 bits.
    let is_cold = |value: &Value| value.as_f64().is_some_and(|t_k| (t_k - 269.15).abs() < 0.05);
    each(&format!("{HOUSE}.temperature"), &is_cold);
    each(&format!("{HOUSE}.thermometers.battery1.temperature"), &is_cold);
    each(&format!("{HOUSE}.capacity.stateOfCharge"), &|value| *value == 0.6);
    each("electrical.heaters.house.state", &|value| value == "off");
    each(&format!("{HOUSE}.charge.permission"), &|value| value == "refused");
    set_source(&controller, 0, true);
    each("electrical.heaters.house.state", &|value| value == "on");
    // A broken lead, and no state of charge.
    let reading = format!("{HOUSE}.thermometers.battery2.temperature");
    let fault = format!("{HOUSE}.thermometers.channel2");
    each_state(&fault, "normal");
    controller.change(|world| (world.temperatures[1], world.state_of_charge) = (None, None));
    each_state(&fault, "alarm");
    each(&reading, &Value::is_null);
    each(&format!("{HOUSE}.capacity.stateOfCharge"), &Value::is_null);
    let cold = Some(Celsius::from_millidegrees(-4_000));
    controller.change(|world| world.temperatures[1] = cold);
    each_state(&fault, "normal");
    each(&reading, &is_cold);
    // Nobody hears the controller.
    let lost = format!("{HOUSE}.controller");
    controller.unplug();
    each_state(&lost, "warn");
    for path in ["temperature", "voltage", "charge.permission", "charge.cause", "charge.currentLimit"] {
        each(&format!("{HOUSE}.{path}"), &Value::is_null);
    }
    each("electrical.heaters.house.state", &Value::is_null);
    controller.plug();
    each_state(&lost, "normal");
    each(&format!("{HOUSE}.temperature"), &is_cold);
    assert_eq!(listening.stderr().matches("sending to signalk+").count(), 2, "{}", listening.stderr());
    listening.until_it_says("warming");
    assert_eq!(listening.interrupt(), 130);
    each_state(&lost, "alert");
    each(&format!("{HOUSE}.temperature"), &Value::is_null);
    for heard in both {
        accepted(&heard.lines());
    }
}

#[test]
fn the_check_with_the_authors_schema_refuses_what_is_wrong_and_says_where() {
    let delta = |part: &str, items: Value| {
        let source = json!({ "label": "forewarm", "type": "signalk" });
        let update = json!({ "source": source, "timestamp": "2026-01-01T00:00:00.123Z", part: items });
        json!({ "context": "vessels.self", "updates": [update] }).to_string()
    };
    let meaning = |units: &str| json!({ "description": "a test", "units": units, "timeout": 90 });
    let normal = json!({ "state": "normal", "method": [], "message": "" });
    let lines = [
        delta(
            "meta",
            json!([
                { "path": "electrical.batteries.house.temperature", "value": meaning("K") },
                { "path": "electrical.batteries.house.charge.currentLimit", "value": meaning("A") },
            ]),
        ),
        delta(
            "values",
            json!([
                { "path": "electrical.batteries.house.temperature", "value": 269.15 },
                { "path": "electrical.batteries.house.capacity.stateOfCharge", "value": 0.5 },
                { "path": "electrical.batteries.house.charge.currentLimit", "value": 12.5 },
                { "path": "electrical.batteries.house.voltage", "value": null },
                { "path": "notifications.electrical.batteries.house.controller", "value": normal },
            ]),
        ),
    ];
    accepted(&lines);
    for (right, wrong, place) in [
        ("269.15", "-4.0", "line 2: electrical.batteries.house.temperature"),
        ("269.15", "\"269.15\"", "line 2: electrical.batteries.house.temperature"),
        ("0.5", "50", "line 2: electrical.batteries.house.capacity.stateOfCharge"),
        ("capacity.stateOfCharge", "soc", "line 2: electrical.batteries.house.soc"),
        ("\"K\"", "\"C\"", "line 1: electrical.batteries.house.temperature"),
        ("\"timeout\":90", "\"timeout\":30", "line 1: electrical.batteries.house.temperature: is said to be old"),
        (",\"timeout\":90", "", "line 1: electrical.batteries.house.temperature: is said to be old"),
        ("\"meta\"", "\"values\"", "line 2: electrical.batteries.house.charge.currentLimit: is not in the schema"),
        ("\"normal\"", "\"warning\"", "line 2: notifications.electrical.batteries.house.controller"),
        ("[]", "[\"bell\"]", "line 2: notifications.electrical.batteries.house.controller"),
        ("house.controller", "house.not_heard", "line 2: notifications.electrical.batteries.house.not_heard"),
        (".123Z", ".123+01:00", "line 2: /updates/0/timestamp"),
        ("\"label\"", "\"name\"", "line 2: /updates/0/source"),
        ("vessels.self", "vessels", "line 2: context"),
        ("\"updates\"", "\"update\"", "line 2: delta"),
    ] {
        let mutated = lines.clone().map(|line| line.replace(right, wrong));
        let (is_accepted, said) = checked(&mutated);
        assert!(!is_accepted && said.contains(place), "{wrong}: {said}");
    }
    assert!(!checked(&[]).0, "nothing is not accepted either");
}

#[test]
fn a_server_that_is_lost_and_returns_is_told_everything_anew() {
    let controller = controller(&Setup::default());
    let port = free_port();
    let address = format!("signalk+tcp://127.0.0.1:{port}/house");
    let mut listening = listen(&controller, &["--publish", &address]);
    listening.until_it_says("nobody answers there");
    let server = Server::at(port);
    listening.until_it_says("sending to signalk+tcp://127.0.0.1:");
    server.heard.until(&format!("{HOUSE}.temperature"), Value::is_number);
    server.heard.until_state(&format!("{HOUSE}.settingsInvalid"), "normal");
    assert_eq!(listening.stderr().matches("nobody answers there").count(), 1, "{}", listening.stderr());
    drop(server);
    set_source(&controller, 0, true);
    listening.until_it_says("has closed the connection");
    listening.until_it_says("warming");
    let server = Server::at(port);
    server.heard.until("electrical.heaters.house.state", |value| value == "on");
    server.heard.until_state(&format!("{HOUSE}.settingsInvalid"), "normal");
    accepted(&server.heard.lines());
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn datagrams_that_nobody_takes_cost_one_line_and_are_tried_again() {
    let controller = controller(&Setup::default());
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a port");
    let place = socket.local_addr().expect("an address");
    drop(socket);
    let mut listening = listen(&controller, &["--publish", &format!("signalk+udp://{place}/house")]);
    listening.until_it_says("nobody answers there");
    set_source(&controller, 0, true);
    listening.until_it_says("warming");
    // Some attempts more.
    std::thread::sleep(Duration::from_secs(5));
    assert_eq!(listening.stderr().matches("signalk+udp").count(), 1, "{}", listening.stderr());
    let heard = hears_datagrams(UdpSocket::bind(place).expect("the port is free"));
    heard.until("electrical.heaters.house.state", |value| value == "on");
    heard.until_state(&format!("{HOUSE}.settingsInvalid"), "normal");
    listening.until_it_says("sending to signalk+udp://127.0.0.1:");
    accepted(&heard.lines());
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn a_server_that_stops_reading_is_left_and_the_listening_goes_on() {
    let controller = controller(&Setup::default());
    let silent = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = format!("signalk+tcp://{}", silent.local_addr().expect("an address"));
    let mut listening = listen(&controller, &["--publish", &address]);
    let (stalled, _) = silent.accept().expect("it comes");
    listening.until_it_says("does not read what it gets");
    set_source(&controller, 0, true);
    listening.until_it_says("warming");
    drop(stalled);
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn what_cannot_be_sent_to_is_said_before_anything_is_listened_to() {
    let controller = controller(&Setup::default());
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("file");
    std::fs::write(&file, "text\n").expect("a file");
    let file = file.to_str().expect("UTF-8");
    let (server, broker) = ("signalk+tcp://localhost:4000", "mqtt://localhost");
    for (more, said) in [
        (vec!["--publish", "signalk+tcp://localhost"], "has no port"),
        (vec!["--publish", "signalk+ws://localhost:1"], "begins with something else"),
        (vec!["--publish", "signalk+udp://somebody@localhost:1"], "knows none"),
        (vec!["--publish", "signalk+tcp://localhost:1/my_bank"], "letters and digits"),
        (vec!["--publish", server, "--password-file", file], "--password-file is for a broker"),
        (vec!["--publish", server, "--ca-file", file], "--ca-file is for a broker"),
        (vec!["--publish", server, "--publish", broker], "needs --keep"),
        (vec!["--publish", broker, "--publish", broker], "two brokers"),
    ] {
        let mut arguments = vec!["listen", controller.address()];
        arguments.extend(&more);
        let refused = forewarm(&arguments);
        assert_eq!((refused.status, &*refused.stdout), (2, ""), "{more:?}: {}", refused.stderr);
        assert!(refused.stderr.contains(said), "{more:?}: {}", refused.stderr);
    }
}
