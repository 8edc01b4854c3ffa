use super::super::Publisher;
use super::super::target::Target;
use super::*;
use crate::service::heard::Identity;
use crate::service::listen::Said;
use crate::service::store::Absence;
use crate::service::testing::telemetry;
use forewarm_core::wire::service::Unfit;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::sync::mpsc;

/// A target that is told this view.
fn publisher(address: &str, views: watch::Receiver<View>) -> (Publisher, mpsc::Receiver<Option<String>>) {
    let Ok(Target::SignalK(server)) = Target::parse(address) else { panic!("{address} is an address") };
    let (tell, told) = mpsc::channel();
    let publisher = Publisher::to_server(server, views, move |problem| {
        let _ = tell.send(problem.map(|problem| problem.message.to_string()));
    });
    (publisher.expect("a thread"), told)
}

fn hear(views: &watch::Sender<View>) {
    let telemetry = telemetry(5_000);
    views.send_modify(|view| {
        view.hear(&Said::Telemetry { utc_ms: 1, at_ms: 1, telemetry: &telemetry, settings: None, changed: true }, None);
    });
}

/// A server that nobody has come to yet, and its address.
fn server() -> (TcpListener, String) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = format!("signalk+tcp://{}/house", listener.local_addr().expect("an address"));
    (listener, address)
}

/// Reads deltas until the coldest cell has such a value.
fn until_temperature(lines: &mut impl Iterator<Item = io::Result<String>>, is_so: fn(&Value) -> bool) {
    let has_come = lines.any(|line| {
        let delta: Value = serde_json::from_str(&line.expect("it comes in time")).expect("JSON");
        let mut items = delta["updates"][0]["values"].as_array().into_iter().flatten();
        items.any(|item| item["path"] == "electrical.batteries.house.temperature" && is_so(&item["value"]))
    });
    assert!(has_come, "the connection has ended");
}

#[test]
fn a_reader_who_has_stopped_is_left_and_tried_again() {
    let (listener, address) = server();
    let views = watch::Sender::new(View::default());
    let (publisher, told) = publisher(&address, views.subscribe());
    let (silent, _) = listener.accept().expect("it comes");
    assert_eq!(told.recv_timeout(PATIENCE), Ok(None));
    // More than all buffers on the way hold. Each attempt takes a millisecond at least: two minutes.
    let left = (0..120_000).find_map(|_| {
        hear(&views);
        told.recv_timeout(Duration::from_millis(1)).ok()
    });
    assert_eq!(left.flatten().as_deref(), Some("does not read what it gets"));
    drop(silent);
    listener.accept().expect("it comes again");
    drop(publisher);
}

#[test]
fn what_comes_back_is_read_a_little_at_a_time_with_a_turn_for_others_between() {
    const BYTES: usize = 8192;
    let (listener, _) = server();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let left = runtime.block_on(async {
        let stream = connected(&[listener.local_addr().expect("an address")]).await.expect("a connection");
        let (mut peer, _) = listener.accept().expect("it comes");
        peer.write_all(&[b' '; BYTES]).expect("it fits the buffers");
        let mut room = [0; BYTES];
        while stream.peek(&mut room).await.expect("it goes on") < BYTES {}
        let link = Link { way: Way::Tcp(stream), opened: Instant::now(), is_between_lines: true };
        let mut is_lost = Box::pin(link.is_lost());
        let one_turn = std::future::poll_fn(|context| std::task::Poll::Ready(is_lost.as_mut().poll(context)));
        assert!(one_turn.await.is_pending());
        drop(is_lost);
        let Way::Tcp(stream) = &link.way else { panic!("it was one of TCP") };
        stream.try_read(&mut room)
    });
    assert!(left.is_ok_and(|left| left > BYTES / 2), "all was read in one turn");
}

#[test]
fn whoever_writes_without_end_gets_each_delta_and_keeps_the_publisher_from_nothing() {
    let (listener, address) = server();
    let views = watch::Sender::new(View::default());
    let (publisher, _told) = publisher(&address, views.subscribe());
    let (stream, _) = listener.accept().expect("it comes");
    stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
    let mut writer = stream.try_clone().expect("a handle");
    let writes = std::thread::spawn(move || while writer.write_all(&[b' '; 8192]).is_ok() {});
    let mut lines = BufReader::new(stream).lines();
    for _ in 0..3 {
        hear(&views);
        until_temperature(&mut lines, Value::is_number);
    }
    let (ends, ended) = mpsc::channel();
    std::thread::spawn(move || {
        drop(publisher);
        let _ = ends.send(());
    });
    assert_eq!(ended.recv_timeout(PATIENCE), Ok(()));
    writes.join().expect("no panic");
}

#[test]
fn a_server_that_closes_soon_again_and_again_is_news_once() {
    let (listener, address) = server();
    let views = watch::Sender::new(View::default());
    let (publisher, told) = publisher(&address, views.subscribe());
    for _ in 0..5 {
        let (stream, _) = listener.accept().expect("it comes");
        std::thread::sleep(Duration::from_millis(1500));
        drop(stream);
    }
    drop(publisher);
    // Two of the first round, that it is there and that it has closed. On a slow machine the second may last longer than its wait of two
    // seconds too, and then has as many. Ten if each round were news.
    let lines = told.iter().count();
    assert!((2..=4).contains(&lines), "{lines} lines");
}

#[test]
fn a_state_that_has_grown_old_is_taken_back_though_nothing_happens() {
    let (listener, address) = server();
    let views = watch::Sender::new(View::default());
    let (publisher, _told) = publisher(&address, views.subscribe());
    let (stream, _) = listener.accept().expect("it comes");
    // Sooner than all is said again anyhow.
    stream.set_read_timeout(Some(ANEW / 2)).expect("a timeout");
    let mut lines = BufReader::new(stream).lines();
    hear(&views);
    until_temperature(&mut lines, Value::is_number);
    views.send_if_modified(|view| {
        view.grow_old();
        false
    });
    until_temperature(&mut lines, Value::is_null);
    drop(publisher);
}

#[test]
fn a_controller_that_is_there_again_is_not_heard_before_it_has_said_how_things_stand() {
    let heard = telemetry(5_000);
    let said = Said::Telemetry { utc_ms: 1, at_ms: 1, telemetry: &heard, settings: None, changed: true };
    let identity = Identity {
        version: "1.2.3".to_owned(),
        board: "bench".to_owned(),
        settings: Err(Unfit::Missing),
        caution: String::new(),
    };
    let mut view = View::default();
    view.hear(&said, None);
    view.hear(&Said::Lost { utc_ms: 2, because: Absence::Unplugged, detail: "no such device".to_owned() }, None);
    view.hear(&Said::Connected { utc_ms: 3, identity: &identity, since: None }, None);
    let hearing = hearing(&view, Instant::now());
    assert!(matches!(hearing, Hearing::Lost(_)));
    let deltas: Vec<io::Result<String>> = Deltas::of("house").say(&view, &hearing).into_iter().map(Ok).collect();
    until_temperature(&mut deltas.into_iter(), Value::is_null);
    view.hear(&said, None);
    assert_eq!(super::hearing(&view, Instant::now()), Hearing::Good);
}

#[test]
fn an_address_that_gives_no_connection_does_not_hide_the_next_one() {
    let (listener, _) = server();
    let good = listener.local_addr().expect("an address");
    // No computer has an address of 2001:db8::/32 (RFC 3849), and some have no IPv6 at all.
    let none = SocketAddr::new("2001:db8::1".parse().expect("an address"), good.port());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let connected = runtime.block_on(connected(&[none, good])).expect("the second one");
    assert_eq!(connected.peer_addr().expect("an address"), good);
}

/// Linux alone has an address of all on the computer itself.
#[cfg(target_os = "linux")]
#[test]
fn an_address_of_all_on_the_network_can_be_sent_to() {
    let socket = std::net::UdpSocket::bind("0.0.0.0:0").expect("a port");
    socket.set_read_timeout(Some(PATIENCE)).expect("a timeout");
    let port = socket.local_addr().expect("an address").port();
    let views = watch::Sender::new(View::default());
    hear(&views);
    let (publisher, _told) = publisher(&format!("signalk+udp://127.255.255.255:{port}"), views.subscribe());
    let length = socket.recv(&mut [0; 2048]).expect("it comes in time");
    assert!(length > 0);
    drop(publisher);
}

#[test]
fn a_state_that_nobody_renews_is_old_after_a_while_even_if_nobody_says_so() {
    let mut view = View::default();
    let began = Instant::now();
    assert_eq!(hearing(&view, began), Hearing::NotYet);
    let long_ago = began.checked_sub(OLD).expect("this computer runs for longer");
    assert!(matches!(hearing(&view, long_ago), Hearing::Lost(_)));
    let heard = telemetry(5_000);
    view.hear(&Said::Telemetry { utc_ms: 1, at_ms: 1, telemetry: &heard, settings: None, changed: true }, None);
    assert_eq!(hearing(&view, long_ago), Hearing::Good);
    view.grow_old();
    assert!(matches!(hearing(&view, began), Hearing::Lost(_)));
}
