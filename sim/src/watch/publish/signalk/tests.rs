use super::super::Publisher;
use super::super::target::Target;
use super::*;
use crate::service::listen::Said;
use crate::service::testing::telemetry;
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

#[test]
fn a_reader_who_has_stopped_is_left_and_holds_up_nobody() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = format!("signalk+tcp://{}", listener.local_addr().expect("an address"));
    let views = watch::Sender::new(View::default());
    let (publisher, told) = publisher(&address, views.subscribe());
    let (silent, _) = listener.accept().expect("it comes");
    assert_eq!(told.recv_timeout(PATIENCE), Ok(None));
    // More than all buffers on the way hold.
    let left = loop {
        let began = Instant::now();
        hear(&views);
        assert!(began.elapsed() < PATIENCE, "whoever listens waits");
        match told.recv_timeout(Duration::from_millis(1)) {
            Ok(told) => break told,
            Err(error) => assert_eq!(error, mpsc::RecvTimeoutError::Timeout),
        }
    };
    assert_eq!(left.as_deref(), Some("does not read what it gets"));
    drop(silent);
    // It comes again.
    listener.accept().expect("it comes again");
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
